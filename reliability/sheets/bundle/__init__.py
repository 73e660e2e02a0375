"""Bundles: Data Packages (an open standard) with life.csv and, if present, wear.csv, misfires.csv,
ignition.csv and shots.parquet."""

from reliability.sheets.bundle.about import ROLES, About, Contributor, Source, check_orcid
from reliability.sheets.bundle.read import DESCRIPTOR, Bundle, is_bundle, read_bundle
from reliability.sheets.bundle.sides import Places, side_files
from reliability.sheets.bundle.write import bundle_files, download_files, write_bundle, zipped

__all__ = [
    "DESCRIPTOR", "ROLES", "About", "Bundle", "Contributor", "Places", "Source", "bundle_files", "check_orcid", "download_files",
    "is_bundle", "read_bundle", "side_files", "write_bundle", "zipped",
]  # fmt: skip
