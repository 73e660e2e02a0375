"""One file per question; each a plain function of records and settings to a frozen dataclass."""
