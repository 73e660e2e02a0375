# --- bundles ---------------------------------------------------------------------------------


def demo_sheet():
    return read_life(DEMO / "life_moss.csv")


def test_bundle_round_trip_loses_nothing(tmp_path):
    r = demo_sheet().records
    for name in ("b.zip", "folder"):
        write_bundle(r, tmp_path / name, "moss", "CC-BY-4.0")
        back = read_bundle(tmp_path / name)
        assert columns_of(back.life.records) == columns_of(r)
        assert back.licence == "CC-BY-4.0" and back.builders == ("moss",)


def test_a_general_validator_accepts_our_bundles(tmp_path):
    """frictionless, a general Data Package validator."""
    import frictionless

    write_bundle(demo_sheet().records, tmp_path / "folder", "moss", "CC0-1.0")
    report = frictionless.validate(str(tmp_path / "folder" / "datapackage.json"))
    assert report.valid, report.flatten(["type", "note"])


def test_broken_bundles_are_refused(tmp_path):
    def fails(path, words):
        with pytest.raises(SheetError) as e:
            read_bundle(path)
        assert words in str(e.value)

    folder = tmp_path / "b"
    write_bundle(demo_sheet().records, folder, "moss", "CC0-1.0")
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


