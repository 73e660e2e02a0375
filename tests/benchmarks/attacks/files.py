"""Hostile files over the wire: bombs, names that lead elsewhere, addresses to be fetched, frames without end."""

import contextlib
import io
import json
import logging
import socket
import struct
import threading
import time
import zipfile

import pyarrow as pa
import pyarrow.parquet as pq

from tests.benchmarks.attacks.load import HEALTH_WITHIN
from tests.benchmarks.attacks.wall import cookie_of

LIFE = b"builder,module,slot,shots_good\nq,m,fuel,1\n"
MOST_MIB = 400
"""more than the service itself may grow by for any of these"""


def attacks(s):
    """Every attack as (what, held, seen)."""
    yield from _bombs(s)
    yield from _names(s)
    yield from _fetched(s)
    yield from _frames(s)


def package(life=LIFE, path="life.csv", name="life.csv", **more):
    """A bundle: a data package with one sheet."""
    about = {
        "name": "x", "licenses": [{"name": "CC0-1.0"}], "resources": [{"name": "life", "path": path, "format": "csv"}],
        **more,
    }  # fmt: skip
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as z:
        z.writestr("datapackage.json", json.dumps(about))
        z.writestr(name, life)
    return out.getvalue()


def _zipped(*entries):
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as z:
        for name, data in entries:
            z.writestr(name, data)
    return out.getvalue()


def _sent(s, name, body, path="contributions"):
    began = time.monotonic()
    status, _, text = s.get(
        f"/api/v1/{path}?file={name}", method="POST", body=body, timeout=120, Authorization=f"Bearer {s.start_token}"
    )  # fmt: skip
    return status, time.monotonic() - began, text


def _workbook(sheet):
    """A workbook around the XML of one sheet."""
    types = '<Types xmlns="http://schemas.openxmlformats.org/package/2006/content-types"/>'
    book = '<workbook xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main" xmlns:r="http://schemas.openxmlformats.org/officeDocument/2006/relationships"><sheets><sheet name="a" sheetId="1" r:id="r1"/></sheets></workbook>'
    rels = '<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships"><Relationship Id="r1" Type="http://schemas.openxmlformats.org/officeDocument/2006/relationships/worksheet" Target="worksheets/sheet1.xml"/></Relationships>'
    return _zipped(
        ("[Content_Types].xml", types), ("xl/workbook.xml", book), ("xl/_rels/workbook.xml.rels", rels), ("xl/worksheets/sheet1.xml", sheet)
    )  # fmt: skip


def _laughs():
    names = "".join(f'<!ENTITY a{i} "{f"&a{i - 1};" * 10}">' for i in range(1, 12))
    cell = '<c r="A1" t="inlineStr"><is><t>&a11;</t></is></c>'
    return f'<!DOCTYPE x [<!ENTITY a0 "ha">{names}<!ENTITY f SYSTEM "file:///etc/passwd">]><worksheet><sheetData><row>{cell}</row></sheetData></worksheet>'


def _parquet(rows, text):
    """Many rows that are all alike: little to send, much to unpack."""
    same = pa.DictionaryArray.from_arrays(pa.array([0] * 1000, pa.int32()), [text])
    table = pa.table({"builder": same, "module": same, "slot": same, "shots_good": pa.array([1] * 1000)})  # fmt: skip
    out = io.BytesIO()
    with pq.ParquetWriter(out, table.schema, compression="zstd") as w:
        whole = pa.concat_tables([table] * 100)
        for _ in range(rows // 100_000):
            w.write_table(whole)
    return out.getvalue()


def _bombs(s):
    gap = "\n" * (300 << 20)
    for what, name, body in (
        ("a bundle of 4 MiB that unpacks to 300 MiB", "b.zip", package(life=LIFE + gap.encode())),
        ("a zip of 60,000 entries", "b.zip", _zipped(*((f"{i}.csv", b"") for i in range(60_000)))),
        ("a zip in a zip in a zip", "b.zip", _zipped(("life.zip", _zipped(("life.zip", package()))))),
        ("a workbook that unpacks to 300 MiB", "w.xlsx", _workbook("<worksheet>" + " " * (300 << 20) + "</worksheet>")),
        ("a workbook of entities", "w.xlsx", _workbook(_laughs())),
        ("10,000,000 equal Parquet rows", "p.parquet", _parquet(10_000_000, "x")),
        ("Parquet cells of 1 MiB", "p.parquet", _parquet(100_000, "x" * (1 << 20))),
        ("Parquet cut short", "p.parquet", _parquet(100_000, "x")[:-200] + b"PAR1"),
        ("Parquet whose foot is said to be 4 GiB", "p.parquet", b"PAR1" + b"x" * 100 + struct.pack("<I", 0xFFFFFFFF) + b"PAR1"),
        ("a line of 50 MiB", "a.csv", b"builder,module," + b"x" * (50 << 20)),
        ("3,000,000 columns", "a.csv", b"," * 3_000_000 + b"\n" + b"," * 3_000_000),
        ("deep JSON as an export", "a.json", b"[" * 200_000),
    ):  # fmt: skip
        before = s.memory
        status, seconds, text = _sent(s, name, body)
        refused = status in (400, 413) and "Traceback" not in text and "root:" not in text
        yield f"{what}: refused in words", refused and seconds < 60, f"{status} in {seconds:.1f} s: {text[:60]!r}"  # fmt: skip
        grown, seen = s.memory - before, s.healthy()
        yield f"{what}: the service goes on", grown < MOST_MIB and seen < HEALTH_WITHIN, f"{grown:.0f} MiB more"  # fmt: skip


def _names(s):
    """Names in archives that lead elsewhere: nothing is written there, nothing from there is read."""
    link = zipfile.ZipInfo("life.csv")
    link.external_attr = 0o120777 << 16
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as z:
        z.writestr("datapackage.json", json.dumps({"name": "x", "resources": [{"name": "life", "path": "life.csv"}]}))  # fmt: skip
        z.writestr(link, str(s.folder / "access.json"))
    for what, body in (
        ("up and out", package(path="../../evil.csv", name="../../evil.csv")), ("from the root", package(path="/tmp/evil.csv", name="/tmp/evil.csv")),
        ("a file of the machine", package(path="/etc/passwd")), ("the roles", package(path=str(s.folder / "access.json"))),
        ("a file: address", package(path="file:///etc/passwd")), ("a symbolic link", out.getvalue()),
        ("backslashes", package(path="..\\..\\evil.csv", name="..\\..\\evil.csv")), ("no end of the name", package(path="life.csv\x00.txt")),
    ):  # fmt: skip
        for path in ("contributions", "readings"):
            status, _, text = _sent(s, "b.zip", body, path)
            told = "root:" in text or '"tokens"' in text or "sha256:" in text
            yield f"{path}: an archive that names {what}", status in (200, 400) and not told, f"{status} {text[:60]!r}"  # fmt: skip
    left = [p.name for p in s.folder.rglob("*evil*")]
    yield "nothing lies outside", not left, left


@contextlib.contextmanager
def listening():
    """A port of this machine and how often somebody came."""
    came = []
    with socket.create_server(("127.0.0.1", 0)) as server:
        server.settimeout(0.2)
        stop = threading.Event()

        def wait():
            while not stop.is_set():
                with contextlib.suppress(TimeoutError):
                    c, _ = server.accept()
                    came.append(1)
                    c.close()

        t = threading.Thread(target=wait)
        t.start()
        yield server.getsockname()[1], came
        stop.set()
        t.join()


def _fetched(s):
    """Addresses in a bundle: nobody goes there."""
    with listening() as (port, came):
        url = f"http://127.0.0.1:{port}/life.csv"
        for what, body in (
            ("of a sheet", package(path=url)), ("of a schema", package(profile=url, **{"$schema": url})),
            ("of a picture", package(image=url, homepage=url)), ("of a licence", package(licenses=[{"name": "CC0-1.0", "path": url}])),
        ):  # fmt: skip
            status, _, text = _sent(s, "b.zip", body)
            yield f"a bundle with the address {what}", status in (200, 201, 400), f"{status} {text[:60]!r}"  # fmt: skip
        sheet = f'<worksheet xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"><!DOCTYPE x SYSTEM "{url}"><sheetData/></worksheet>'
        _sent(s, "w.xlsx", _workbook(sheet))
        time.sleep(0.5)
        yield "none of these addresses was asked", not came, f"{len(came)} came"


def _frames(s):
    """Messages on the WebSocket that no page sends."""
    from websockets.exceptions import WebSocketException
    from websockets.sync.client import connect

    logging.getLogger("websockets").setLevel(logging.CRITICAL)  # being cut off is no fault of ours
    cookie = cookie_of(s)
    before = s.memory
    for what, data in (
        ("60 MiB in one message", b"\x00" * (60 << 20)), ("noise", bytes(range(256)) * 100), ("text", "hello"), ("nothing", b""),
    ):  # fmt: skip
        with contextlib.suppress(OSError, WebSocketException), connect(
            f"ws://{s.host}/_stcore/stream", origin=s.origin, max_size=None, compression=None,
            additional_headers={"Cookie": cookie}, subprotocols=["streamlit", s.form_token],
        ) as c:  # fmt: skip
            c.send(data)
            with contextlib.suppress(TimeoutError):
                c.recv(timeout=1)
        seen = s.healthy()
        yield f"WebSocket: {what}", seen < HEALTH_WITHIN, f"{seen:.2f} s"
    yield "and its memory is given back", s.memory - before < MOST_MIB, f"{s.memory - before:.0f} MiB more"  # fmt: skip
    ranges = ",".join(f"{i}-{i + 1}" for i in range(0, 20_000, 2))
    began = time.monotonic()
    status = s.status("/favicon.png", Cookie=cookie, Range=f"bytes={ranges}")
    yield "10,000 ranges of one file", status < 500 and time.monotonic() - began < 3, status
    jar = "; ".join(f"a{i}=b" for i in range(9000))
    began = time.monotonic()
    status = s.status("/api/v1/contributions", Cookie=jar)
    yield "9,000 cookies", status in (0, 400, 401, 431) and time.monotonic() - began < 3, status
    for method in ("TRACE", "OPTIONS", "CONNECT", "PROPFIND", "DELETE", "PUT"):
        status, _, text = s.get(
            "/api/v1/contributions", method=method, Cookie=cookie, X_Secret="told"
        )
        yield f"method {method}", status < 500 and "told" not in text, status
