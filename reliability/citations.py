"""Citations: whom an answer owes its data, in the form that travels with it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True)
class Citation:
    """One contribution as it is to be cited.

    Attributes
    ----------
    title : str
    people : tuple of str
        Builders, groups or persons, as they asked to be named.
    licence : str
        Identifier; "" where none was given.
    identifier : str
        Such as a DOI, a UUID or the hash of the file.
    version, created : str
        "" where not given.
    """

    title: str
    people: tuple[str, ...] = ()
    licence: str = ""
    identifier: str = ""
    version: str = ""
    created: str = ""

    @property
    def text(self) -> str:
        """The citation as a line for a list of references."""
        year = f" ({self.created[:4]})" if self.created else ""
        parts = [f"{', '.join(self.people) or 'Giver not named'}{year}", self.title]
        if self.version:
            parts.append(f"Version {self.version}")
        parts.append(f"Licence {self.licence}" if self.licence else "No licence given")
        if self.identifier:
            parts.append(self.identifier)
        return ". ".join(parts) + "."

    @classmethod
    def from_dict(cls, given: Mapping[str, Any]) -> Citation:
        """The citation of ``as_dict``."""
        return cls(**{**given, "people": tuple(given["people"])})

    def as_dict(self) -> dict[str, object]:
        """The citation as it stands in JSON."""
        return {
            "title": self.title, "people": list(self.people), "licence": self.licence,
            "identifier": self.identifier, "version": self.version, "created": self.created,
        }  # fmt: skip
