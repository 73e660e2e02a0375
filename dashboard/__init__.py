"""The dashboard: one file a page; no statistics and no SQL in it."""
