"""Bundles: round trip, general validators, licences that combine, hostile archives, earlier versions."""

import hashlib
import json
import zipfile
from pathlib import Path

import check_jsonschema
import frictionless
import jsonschema
import pytest
import yaml
from rocrate.rocrate import ROCrate

from reliability.dictionary import SHEETS
from reliability.licences import LICENCES, combine
from reliability.notes import BadInput
from reliability.sheets.bundle import (
    About,
    Contributor,
    Source,
    bundle_files,
    check_orcid,
    read_bundle,
    write_bundle,
    zipped,
)
from reliability.sheets.life import STRESSES, read_life
from reliability.sheets.table import SheetError
from reliability.sheets.wear import IGNITION_COLUMNS, MISFIRE_COLUMNS, WEAR_COLUMNS
from reliability.sheets.write import columns_of
from tests.command import run

DEMO = Path(__file__).parents[1] / "datasets" / "demo"
SIDES = {n: (DEMO / n).read_bytes() for n in ("wear.csv", "misfires.csv", "ignition.csv")}
SCHEMAS = Path(check_jsonschema.__file__).parent / "builtin_schemas" / "vendor"


def full():
    return About(
        "moss", "CC-BY-4.0", title="Invented: lives at moss", created="2026-01-02", version="1.2.0",
        contributors=(Contributor("moss", ("creator", "contact"), "0000-0002-1825-0097"), Contributor("kite")),
        sources=(Source("An invented report", "https://example.org/report", "2"), Source("Bench book")),
    )  # fmt: skip


def demo_sheet():
    return read_life(DEMO / "life_moss.csv")


def test_bundle_round_trip_loses_nothing(tmp_path):
    r = demo_sheet().records
    for name in ("b.zip", "folder"):
        write_bundle(r, tmp_path / name, About("moss", "CC-BY-4.0"))
        back = read_bundle(tmp_path / name)
        assert columns_of(back.life.records) == columns_of(r)
        assert back.licence == "CC-BY-4.0" and back.builders == ("moss",)


def test_a_general_validator_accepts_our_bundles(tmp_path):
    """frictionless, a general Data Package validator."""
    write_bundle(demo_sheet().records, tmp_path / "folder", full(), SIDES)
    report = frictionless.validate(str(tmp_path / "folder" / "datapackage.json"))
    assert report.valid, report.flatten(["type", "note"])


def test_broken_bundles_are_refused(tmp_path):
    def fails(path, words):
        with pytest.raises(SheetError) as e:
            read_bundle(path)
        assert words in str(e.value)

    folder = tmp_path / "b"
    write_bundle(demo_sheet().records, folder, About("moss", "CC0-1.0"))
    (folder / "life.csv").write_text(
        (folder / "life.csv").read_text().replace("moss-01", "moss-99")
    )
    fails(folder, "changed after packing")
    (folder / "datapackage.json").write_text("{")
    fails(folder, "not a Data Package")
    (tmp_path / "x.zip").write_bytes(b"nonsense")
    fails(tmp_path / "x.zip", "not readable as a zip")
    with zipfile.ZipFile(tmp_path / "evil.zip", "w") as z:
        z.writestr("../../etc/evil", "x")
    fails(tmp_path / "evil.zip", "outside itself")
    with zipfile.ZipFile(tmp_path / "many.zip", "w") as z:
        for i in range(60):
            z.writestr(f"{i}.csv", "x")
    fails(tmp_path / "many.zip", "more than 50 files")
    with zipfile.ZipFile(tmp_path / "empty.zip", "w") as z:
        z.writestr("a.csv", "x")
    fails(tmp_path / "empty.zip", "no datapackage.json")


def repacked(path, files, first=()):
    with zipfile.ZipFile(path, "w") as z:
        for name, content in (*first, *files.items()):
            z.writestr(name, content)
    return path


def test_what_the_descriptor_does_not_vouch_for_is_refused(tmp_path):
    """A sheet put in beside those that the descriptor names would be counted without a hash; of two files of one
    name nobody knows which is meant; a link leads out of the folder."""
    files = bundle_files(demo_sheet().records, About("moss", "CC0-1.0"))
    added = repacked(tmp_path / "added.zip", {**files, "wear.csv": SIDES["wear.csv"]})
    with pytest.raises(SheetError, match=r"wear\.csv: .*does not name it: added after packing"):
        read_bundle(added)
    twice = repacked(tmp_path / "twice.zip", files, [("other/life.csv", files["life.csv"])])
    with pytest.raises(SheetError, match=r"two files named 'life\.csv'"):
        read_bundle(twice)
    folder = tmp_path / "folder"
    write_bundle(demo_sheet().records, folder, About("moss", "CC0-1.0"))
    (folder / "life.csv").rename(tmp_path / "elsewhere.csv")
    (folder / "life.csv").symlink_to(tmp_path / "elsewhere.csv")
    with pytest.raises(SheetError, match=r"'life\.csv' is a link"):
        read_bundle(folder)
    assert read_bundle(repacked(tmp_path / "as_it_was.zip", {**files, "notes.txt": "more"}))


@pytest.mark.parametrize("way", ["md5", "sha1", "sha256", "sha512", "", "blake9"])
def test_hashes_of_the_standard_are_checked(tmp_path, way):
    """Data Package standard, version 2, resource property ``hash``: md5, or another algorithm in front of a colon."""
    files = bundle_files(demo_sheet().records, About("moss", "CC0-1.0"))
    package = json.loads(files["datapackage.json"])
    digest = hashlib.new(way if way in ("sha1", "sha256", "sha512") else "md5", files["life.csv"])
    package["resources"][0]["hash"] = (way and f"{way}:") + digest.hexdigest()
    files["datapackage.json"] = json.dumps(package).encode()
    path = repacked(tmp_path / "a.zip", files)
    if way == "blake9":
        with pytest.raises(SheetError, match="cannot be checked here; allowed: md5, sha1"):
            read_bundle(path)
        return
    assert len(read_bundle(path).life.records)
    files["life.csv"] = files["life.csv"].replace(b"moss-01", b"moss-99")
    with pytest.raises(SheetError, match="changed after packing"):
        read_bundle(repacked(tmp_path / "b.zip", files))


def test_what_a_descriptor_says_is_one_plain_line(tmp_path):
    """Titles and people are shown on terminals and pages: no control or direction characters, no second line."""
    files = bundle_files(demo_sheet().records, About("moss", "CC0-1.0"))
    package = json.loads(files["datapackage.json"])
    package |= {
        "title": "Lives\x1b[31m\nof \u202emoss",
        "version": 3,
        "contributors": [{"title": "a\nb"}, {"title": 1}],
    }
    files["datapackage.json"] = json.dumps(package).encode()
    cited = read_bundle(repacked(tmp_path / "a.zip", files)).citation
    assert cited.title == "Lives[31m of moss" and cited.people == ("a b",) and cited.version == ""
    package["title"] = "x" * 1000
    files["datapackage.json"] = json.dumps(package).encode()
    with pytest.raises(SheetError, match="title has 1,000 characters"):
        read_bundle(repacked(tmp_path / "b.zip", files))


def test_bomb_is_refused_before_it_unpacks(tmp_path):
    path = tmp_path / "bomb.zip"
    with (
        zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as z,
        z.open("life.csv", "w", force_zip64=True) as f,
    ):
        for _ in range(1100):
            f.write(b"0" * (1 << 20))
    with pytest.raises(SheetError, match="unpacks to more than"):
        read_bundle(path)


def test_the_descriptor_is_of_version_2(tmp_path):
    """Data Package standard, version 2 (26 June 2024): $schema instead of profile, roles instead of role,
    licences by their Open Definition id, exclusive limits in constraints."""
    package = json.loads(bundle_files(demo_sheet().records, full(), SIDES)["datapackage.json"])
    assert package["$schema"] == "https://datapackage.org/profiles/2.0/datapackage.json"
    assert "profile" not in package and package["version"] == "1.2.0"
    assert package["created"] == "2026-01-02T00:00:00Z" and package["id"].startswith("urn:uuid:")
    assert package["contributors"][0] == {
        "title": "moss", "roles": ["creator", "contact"], "path": "https://orcid.org/0000-0002-1825-0097",
    }  # fmt: skip
    assert [s["title"] for s in package["sources"]] == ["An invented report", "Bench book"]
    fields = {f["name"]: f for f in package["resources"][0]["schema"]["fields"]}
    assert fields["charge_V"]["unit"] == "V"
    assert fields["charge_V"]["constraints"] == {"exclusiveMinimum": 0}
    assert fields["shots_good"]["constraints"] == {"required": True, "minimum": 0}
    pddl = json.loads(
        bundle_files(demo_sheet().records, About("a", "PDDL-1.0"))["datapackage.json"]
    )
    assert pddl["licenses"][0]["name"] == "ODC-PDDL-1.0"


def test_a_general_validator_finds_a_broken_table(tmp_path):
    folder = tmp_path / "b"
    write_bundle(demo_sheet().records, folder, full())
    text = (folder / "life.csv").read_text().splitlines()
    head, first = text[0].split(","), text[1].split(",")
    first[head.index("shots_good")] = "many"
    (folder / "life.csv").write_text("\n".join([text[0], ",".join(first), *text[2:]]) + "\n")
    assert not frictionless.validate(str(folder / "datapackage.json")).valid


def test_the_citation_file_keeps_its_schema():
    """Citation File Format 1.2.0, the JSON schema of its authors as a general schema checker ships it."""
    schema = json.loads((SCHEMAS / "citation-file-format.json").read_text())
    check = jsonschema.validators.validator_for(schema)(
        schema, format_checker=jsonschema.FormatChecker()
    )
    for about in (
        full(),
        About("a", "ODbL-1.0", id="https://doi.org/10.1000/xyz", created="2026-01-02"),
    ):
        cff = yaml.safe_load(bundle_files(demo_sheet().records, about)["CITATION.cff"])
        assert [e.message for e in check.iter_errors(cff)] == []
    assert cff["identifiers"] == [{"type": "doi", "value": "10.1000/xyz"}]
    del cff["authors"]
    assert list(check.iter_errors(cff))


def test_a_general_library_reads_the_crate(tmp_path):
    """RO-Crate 1.2: every file described, people and sources linked (the RO-Crate library)."""
    write_bundle(demo_sheet().records, tmp_path / "b", full(), SIDES)
    crate = ROCrate(str(tmp_path / "b"))
    assert (
        str(crate.version) == "1.2" and crate.root_dataset["license"]["identifier"] == "CC-BY-4.0"
    )
    assert {p["name"] for p in crate.root_dataset["author"]} == {"moss", "kite"}
    there = {p.name for p in (tmp_path / "b").iterdir()} - {"ro-crate-metadata.json"}
    assert {e.id for e in crate.data_entities} == there


def test_deposit_metadata():
    """Fields of the deposit interface as its documentation lists them (from memory and examples)."""
    out = json.loads(bundle_files(demo_sheet().records, full())[".zenodo.json"])
    assert out["upload_type"] == "dataset" and out["access_right"] == "open"
    assert out["creators"][0] == {"name": "moss", "orcid": "0000-0002-1825-0097"}
    assert out["contributors"] == [
        {"name": "moss", "orcid": "0000-0002-1825-0097", "type": "ContactPerson"}
    ]


def test_same_data_same_bytes(monkeypatch):
    r = demo_sheet().records
    assert zipped(bundle_files(r, full(), SIDES)) == zipped(
        bundle_files(r, full(), dict(reversed(SIDES.items())))
    )
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "1767312000")
    package = json.loads(bundle_files(r, About("a", "CC0-1.0"))["datapackage.json"])
    assert package["created"] == "2026-01-02T00:00:00Z"


def test_people_and_sources_come_back(tmp_path):
    write_bundle(demo_sheet().records, tmp_path / "b.zip", full())
    c = read_bundle(tmp_path / "b.zip").citation
    assert c.people == ("moss", "kite") and c.licence == "CC-BY-4.0" and c.version == "1.2.0"
    assert "Invented: lives at moss. Version 1.2.0. Licence CC-BY-4.0. urn:uuid:" in c.text
    assert c.text.startswith("moss, kite (2026).")


def version_1(content: bytes) -> bytes:
    """A descriptor as this project wrote it before, Data Package version 1."""
    package = {
        "profile": "tabular-data-package", "name": "old", "licenses": [{"name": "CC0-1.0"}],
        "contributors": [{"title": "moss", "role": "contributor"}],
        "resources": [
            {
                "name": "life", "path": "life.csv", "profile": "tabular-data-resource", "format": "csv",
                "hash": "sha256:" + hashlib.sha256(content).hexdigest(),
            }
        ],
    }  # fmt: skip
    return json.dumps(package).encode()


def test_older_bundles_are_still_read(tmp_path):
    life = (DEMO / "life_moss.csv").read_bytes()
    (tmp_path / "life.csv").write_bytes(life)
    (tmp_path / "datapackage.json").write_bytes(version_1(life))
    b = read_bundle(tmp_path)
    assert b.name == "old" and b.licence == "CC0-1.0" and b.citation.people == ("moss",)
    assert b.citation.identifier == "sha256:" + hashlib.sha256(life).hexdigest()


@pytest.mark.parametrize(
    "bad",
    [
        {"name": "Big"}, {"name": "a", "licence": "CC-BY-NC-4.0"}, {"name": "a", "version": "one"},
        {"name": "a", "created": "yesterday"}, {"name": "a", "created": "2026-01-02T10:00:00"},
    ],
)  # fmt: skip
def test_what_a_bundle_may_not_say_of_itself(bad):
    with pytest.raises(BadInput):
        About(**{"licence": "CC0-1.0", **bad})


def test_contributors_are_checked():
    """ORCID check digit: ISO/IEC 7064 MOD 11-2; 0000-0002-1825-0097 is the registry's own example of an
    invented person (from memory)."""
    assert check_orcid("https://orcid.org/0000-0002-1825-0097") == "0000-0002-1825-0097"
    with pytest.raises(BadInput, match="check digit"):
        check_orcid("0000-0002-1825-0098")
    for bad in (("", ("creator",)), ("a", ("boss",)), ("a", ())):
        with pytest.raises(BadInput):
            Contributor(*bad)


@pytest.mark.parametrize(
    ("given", "whole"),
    [
        (["CC0-1.0", "PDDL-1.0"], "CC0-1.0"),
        (["CC0-1.0", "CC-BY-4.0"], "CC-BY-4.0"),
        (["CC-BY-4.0", "CC-BY-SA-4.0", "PDDL-1.0"], "CC-BY-SA-4.0"),
        (["ODbL-1.0", "CC0-1.0"], "ODbL-1.0"),
        (["ODbL-1.0", "CC-BY-SA-4.0"], None),
        (["ODbL-1.0", "CC-BY-4.0"], None),
        (["CC0-1.0", ""], None),
        (["CC0-1.0", "CC-BY-NC-4.0"], None),
    ],
)
def test_licences_that_combine(given, whole):
    """Compatibility as the licences' texts have it: CC0 and PDDL waive all rights; CC-BY 4.0 allows
    adapted material under CC-BY-SA; share-alike licences ask for themselves (from memory)."""
    out = combine(given)
    assert (out.licence.id if out.licence else None) == whole
    assert out.may_publish == (whole is not None)
    with pytest.raises(BadInput):
        combine([])


def test_every_known_licence_goes_with_itself():
    for x in LICENCES:
        together = combine([x.id, x.package])
        assert together.may_publish and together.licence.attribution == x.attribution


def test_the_dictionary_knows_what_the_sheets_read():
    names = {file: [c.name for c in columns] for file, columns in SHEETS.items()}
    assert set(STRESSES) <= set(names["life.csv"])
    for file, wanted in (
        ("wear.csv", WEAR_COLUMNS), ("misfires.csv", MISFIRE_COLUMNS), ("ignition.csv", IGNITION_COLUMNS),
    ):  # fmt: skip
        assert set(wanted) <= set(names[file])
    for name, (above, most, _) in STRESSES.items():
        column = next(c for c in SHEETS["life.csv"] if c.name == name)
        assert column.above == above or (column.least == 0 and above > -1e-100)
        assert column.most == (most if most < 1e300 else None)


def test_command_says_licence_and_people(tmp_path):
    store = tmp_path / "s.duckdb"
    run("add", DEMO / "life_moss.csv", "--licence", "CC-BY-4.0", "--store", store)
    run("add", DEMO / "life_orca.csv", "--licence", "CC0-1.0", "--store", store)
    out = run("bundle", "--to", tmp_path / "b.zip", "--store", store).stdout
    assert "licence CC-BY-4.0" in out and "must be named" in out
    refused = run(
        "bundle", "--to", tmp_path / "c.zip", "--licence", "CC0-1.0", "--store", store, code=2
    )
    assert "may not be given as CC0-1.0" in refused.stderr and not (tmp_path / "c.zip").exists()
    run(
        "bundle",
        "--to",
        tmp_path / "d.zip",
        "--builder",
        "orca",
        "--licence",
        "CC0-1.0",
        "--store",
        store,
    )
    run(
        "bundle", "--from", DEMO / "life_moss.csv", "--to", tmp_path / "e.zip", "--title", "Mine",
        "--contributor", "moss;creator,contact;0000-0002-1825-0097", "--source", "Bench book",
        "--created", "2026-01-02",
    )  # fmt: skip
    c = read_bundle(tmp_path / "e.zip").citation
    assert (c.title, c.people, c.created[:10], c.licence) == (
        "Mine",
        ("moss",),
        "2026-01-02",
        "CC0-1.0",
    )
    run(
        "bundle",
        "--from",
        DEMO / "life_moss.csv",
        "--to",
        tmp_path / "f.zip",
        "--licence",
        "none",
        code=2,
    )


def test_side_sheets_go_with_the_records(tmp_path):
    """From files and from the store: rows of the packed builders only, nothing changed in them."""
    store, other = tmp_path / "s.duckdb", tmp_path / "o.duckdb"
    demo = [DEMO / "life_moss.csv", DEMO / "life_orca.csv", *(DEMO / n for n in SIDES)]
    run("add", *demo, "--licence", "CC0-1.0", "--store", store)
    run("bundle", "--to", tmp_path / "all.zip", "--store", store)
    one = run("bundle", "--builder", "moss", "--to", tmp_path / "moss.zip", "--store", store).stdout
    assert "with wear.csv, misfires.csv, licence" in one
    packed = read_bundle(tmp_path / "moss.zip").other
    for name, content in SIDES.items():
        rows = [line for line in content.decode().splitlines()[1:] if line.startswith("moss,")]
        assert packed.get(name, b"").decode().splitlines()[1:] == rows
    run(
        "bundle", "--from", DEMO / "life_moss.csv", "--side", DEMO / "wear.csv", "--to", tmp_path / "f.zip",
    )  # fmt: skip
    assert read_bundle(tmp_path / "f.zip").other["wear.csv"] == packed["wear.csv"]
    run("bundle", "--side", DEMO / "wear.csv", "--to", tmp_path / "x.zip", "--store", store, code=2)
    run(
        "bundle",
        "--from",
        DEMO / "life_moss.csv",
        "--side",
        DEMO / "life_orca.csv",
        "--to",
        tmp_path / "x.zip",
        code=2,
    )
    run("add", tmp_path / "all.zip", "--store", other)
    run("bundle", "--to", tmp_path / "again.zip", "--store", other)
    first, again = read_bundle(tmp_path / "all.zip"), read_bundle(tmp_path / "again.zip")
    assert again.other == first.other and again.life.sha256 == first.life.sha256
    with zipfile.ZipFile(tmp_path / "again.zip") as z:
        (source,) = json.loads(z.read("datapackage.json"))["sources"]
    # what it was made from travels with it
    for text in (first.citation.title, first.citation.identifier, "CC0-1.0", "moss, orca"):
        assert text in source["title"]
