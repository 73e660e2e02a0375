"""Papers that travel with a bundle so that others can cite and deposit it: CITATION.cff 1.2,
RO-Crate 1.2 metadata, .zenodo.json."""

from __future__ import annotations

import json
from typing import Any

from reliability.sheets.bundle.about import About, Contributor

CITATION = "CITATION.cff"
CRATE = "ro-crate-metadata.json"
ZENODO = ".zenodo.json"
_CRATE_VERSION = "https://w3id.org/ro/crate/1.2"
_ZENODO_ROLES = {
    "contact": "ContactPerson",
    "rightsHolder": "RightsHolder",
    "dataCurator": "DataCurator",
}


def _quoted(text: str) -> str:
    # every JSON string is a YAML string
    return json.dumps(text, ensure_ascii=False)


def _creators(about: About) -> list[Contributor]:
    return [c for c in about.contributors if "creator" in c.roles] or list(about.contributors)


def _doi(identity: str) -> str:
    for start in ("https://doi.org/", "doi:"):
        if identity.startswith(start):
            return identity[len(start) :]
    return ""


def citation_cff(about: About) -> str:
    """The Citation File Format, version 1.2.0, of a filled-in ``About``."""
    lines = [
        "cff-version: 1.2.0",
        'message: "If you use these data, please cite them as below."',
        "type: dataset",
        f"title: {_quoted(about.title)}",
        f"abstract: {_quoted(about.description)}",
        f"version: {_quoted(about.version)}",
        f"date-released: {_quoted(about.created[:10])}",
        f"license: {about.terms.id}",
        f"license-url: {_quoted(about.terms.url)}",
        "authors:",
    ]
    for c in _creators(about):
        # a builder's code is no person's name: an entity, which may still carry an ORCID
        lines.append(f"  - name: {_quoted(c.title)}")
        if c.orcid:
            lines.append(f"    orcid: {_quoted(c.url)}")
    doi = _doi(about.id)
    kind, value = ("doi", doi) if doi else ("other", about.id)
    lines += [
        "identifiers:", f"  - type: {kind}", f"    value: {_quoted(value)}",
        "keywords:", *(f"  - {_quoted(k)}" for k in about.keywords),
    ]  # fmt: skip
    if about.sources:
        lines.append("references:")
        for s in about.sources:
            lines += ["  - type: data", f"    title: {_quoted(s.title)}"]
            lines += ["    authors:", '      - name: "see title"']
            if s.path.startswith(("http://", "https://")):
                lines.append(f"    url: {_quoted(s.path)}")
            if s.version:
                lines.append(f"    version: {_quoted(s.version)}")
    return "\n".join(lines) + "\n"


def zenodo_json(about: About) -> str:
    """Deposit metadata as the repository reads it from a file .zenodo.json."""

    def person(c: Contributor) -> dict[str, str]:
        return {"name": c.title, **({"orcid": c.orcid} if c.orcid else {})}

    creators = _creators(about)
    others = [
        {**person(c), "type": _ZENODO_ROLES[r]}
        for c in about.contributors
        for r in c.roles
        if r in _ZENODO_ROLES
    ]
    out: dict[str, Any] = {
        "title": about.title, "upload_type": "dataset", "description": about.description,
        "version": about.version, "publication_date": about.created[:10], "access_right": "open",
        "license": about.terms.id.lower(), "creators": [person(c) for c in creators],
        "keywords": list(about.keywords),
    }  # fmt: skip
    if others:
        out["contributors"] = others
    if about.sources:
        out["references"] = [s.title for s in about.sources]
    return json.dumps(out, indent=1, ensure_ascii=False) + "\n"


def _single(items: list[dict[str, str]]) -> Any:
    """One thing is written without a list around it, as RO-Crate recommends."""
    return items[0] if len(items) == 1 else items


def _agents(about: About) -> list[dict[str, Any]]:
    return [
        {
            "@id": c.url or f"#contributor-{i}",
            "@type": "Person" if c.orcid else "Organization",
            "name": c.title,
        }
        for i, c in enumerate(about.contributors, 1)
    ]


def crate_json(about: About, files: dict[str, tuple[str, int, str]]) -> str:
    """RO-Crate metadata, version 1.2.

    Parameters
    ----------
    about : About
        Filled in.
    files : dict of path to (media type, bytes, what it is)
    """
    agents = _agents(about)
    refs = [{"@id": a["@id"]} for a in agents]
    author = [
        {"@id": a["@id"]}
        for a, c in zip(agents, about.contributors, strict=True)
        if c in _creators(about)
    ]
    sources = [
        {"@id": s.path if s.path.startswith("http") else f"#source-{i}", "@type": "CreativeWork", "name": s.title}
        for i, s in enumerate(about.sources, 1)
    ]  # fmt: skip
    terms = about.terms
    root: dict[str, Any] = {
        "@id": "./", "@type": "Dataset", "name": about.title, "description": about.description,
        "datePublished": about.created, "license": {"@id": terms.url}, "version": about.version,
        "identifier": {"@id": "#identifier"}, "keywords": ", ".join(about.keywords), "author": _single(author),
        "publisher": author[0], "contributor": _single(refs), "hasPart": [{"@id": f} for f in files],
    }  # fmt: skip
    if sources:
        root["isBasedOn"] = _single([{"@id": s["@id"]} for s in sources])
    graph: list[dict[str, Any]] = [
        {
            "@id": CRATE, "@type": "CreativeWork", "conformsTo": {"@id": _CRATE_VERSION},
            "about": {"@id": "./"},
        },
        root,
        {"@id": "#identifier", "@type": "PropertyValue", "name": "identifier", "propertyID": "id", "value": about.id},
        {
            "@id": terms.url, "@type": "CreativeWork", "name": terms.title, "identifier": terms.id,
            "description": f"Terms under which the data are given: {terms.id}.",
        },
        *agents, *sources,
        *(
            {
                "@id": f, "@type": "File", "name": f, "description": f"{what}.", "encodingFormat": kind,
                "contentSize": str(size),
            }
            for f, (kind, size, what) in files.items()
        ),
    ]  # fmt: skip
    context = f"{_CRATE_VERSION}/context"
    return json.dumps({"@context": context, "@graph": graph}, indent=1, ensure_ascii=False) + "\n"
