"""Run by the Python of an environment that has a general RO-Crate validator (roc-validator; it wants an older
``rich`` than this project's other tools, so it lives apart): FOLDER CONTEXT SEVERITY, issues as JSON.

CONTEXT is a copy of the standard's JSON-LD context, given in place of the net.
"""

import json
import sys
from pathlib import Path

import requests
from rocrate_validator import services
from rocrate_validator.models import Severity, ValidationSettings


def main(folder: str, context: str, severity: str) -> None:
    """Validate and print."""

    def send(self, request, **_):
        if not request.url.startswith("https://w3id.org/ro/crate/"):
            raise requests.ConnectionError("no network in tests")
        response = requests.Response()
        response.status_code, response.url, response.request = 200, request.url, request
        response.headers["Content-Type"] = "application/ld+json"
        response._content = Path(context).read_bytes()
        return response

    requests.adapters.HTTPAdapter.send = send
    settings = ValidationSettings(
        rocrate_uri=folder, profile_identifier="ro-crate-1.2", no_cache=True,
        requirement_severity=getattr(Severity, severity),
    )  # fmt: skip
    issues = services.validate(settings).get_issues()
    print(json.dumps([f"{i.check.identifier}: {i.message}" for i in issues]))


if __name__ == "__main__":
    main(*sys.argv[1:])
