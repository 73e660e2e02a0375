"""Shot life and reliability statistics for micro pulsed plasma thruster modules."""

__version__ = "0.1.0"
