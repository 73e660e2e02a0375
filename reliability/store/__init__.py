"""The store: contributions of builders in one DuckDB file."""

from reliability.store.opening import StoreError
from reliability.store.store import Contribution, Store, default_path, usual_path

__all__ = ["Contribution", "Store", "StoreError", "default_path", "usual_path"]
