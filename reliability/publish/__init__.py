"""A static site of answers: pages that open from a file, without network, built again byte for byte."""

from reliability.publish.build import SiteAbout, site, total_size, write_site
from reliability.publish.page import Basis, Figure, Page, Table

__all__ = ["Basis", "Figure", "Page", "SiteAbout", "Table", "site", "total_size", "write_site"]
