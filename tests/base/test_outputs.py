"""Which file may be written where: every pair of paths, and every kind of file that is there already."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import CliRunner
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from invented_record import invented_record

from bladeangle.base.errors import OutputError, UsageError
from bladeangle.base.outputs import MARKS, check_outputs, is_ours, kind_by_name, marked_png
from bladeangle.cli.main import main
from bladeangle.imaging.camera import camera_from_exif, write_camera
from bladeangle.inventory import Inventory
from bladeangle.records.record import record_from_dict, write_record

RING = Path(__file__).resolve().parents[2] / "calibration" / "trial-ring.json"
PLAN = ("plan", "--diameter", 160, "--height", 60, "--blades", 3, "--entry", 10, "--exit", 16, "--around", 0,
        "--ring", RING)  # fmt: skip


def call(*words: object) -> None:
    outcome = CliRunner().invoke(main, [str(w) for w in words])
    assert outcome.exit_code == 0, outcome.stderr


@pytest.fixture(scope="module")
def ours(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """One output of every kind, as the commands write them."""
    folder = tmp_path_factory.mktemp("ours")
    record = folder / "record.json"
    write_record(record_from_dict(invented_record()), record)
    write_camera(camera_from_exif(4000, 3000, 26.0), folder / "camera.json")
    call("order", record, "--out", folder / "order.toml")
    call("report", record, "--out", folder / "page.html", "--plot", folder / "plot.svg")
    call("ring", "--diameter", 90, "--height", 40, "--out", folder)
    call(*PLAN, "--out", folder / "plan.png")
    call("export", record, "--csv", folder / "t.csv", "--xlsx", folder / "t.xlsx")
    call("export", record, "--csv", folder / "tips.csv", "--tips")
    issuer = folder / "issuer.toml"
    issuer.write_text(
        "[certificate]\nidentifier='A'\ncountry='DE'\nlanguage='en'\nlocation='other'\n"
        + "".join(f"[{s}]\nname='A'\nemail='a@b'\ncity='C'\n" for s in ("laboratory", "customer"))
        + "[person]\nname='A'\nrole='B'\n[item]\nmanufacturer='A'\nidentification='B'\n"
    )
    call("export", record, "--certificate", folder / "c.xml", "--details", issuer)
    Inventory(folder / "i.sqlite", create=True).__exit__()
    names = {"record": "record.json", "camera": "camera.json", "order": "order.toml", "html": "page.html",
             "svg": "plot.svg", "png": "plan.png", "csv": "t.csv", "csv of tips": "tips.csv",
             "xlsx": "t.xlsx", "xml": "c.xml",
             "inventory": "i.sqlite", "ring": "ring-90-a4.json", "pdf": "ring-90-a4.pdf"}  # fmt: skip
    return {kind: folder / name for kind, name in names.items()}


def test_every_output_is_known_by_its_mark_and_by_no_other(ours: dict[str, Path]) -> None:
    assert set(ours) == set(MARKS)
    for kind, path in ours.items():
        assert [k for k in MARKS if is_ours(path, k)] == [kind]
        check_outputs([(path, kind)], [])
        for other in set(MARKS) - {kind}:
            with pytest.raises(OutputError, match=r"is there already and is not .*; it is not replaced"):
                check_outputs([(path, other)], [])


@pytest.mark.parametrize("kind", MARKS)
def test_what_somebody_else_wrote_is_never_replaced(tmp_path: Path, kind: str) -> None:
    others = {
        "notes": b"bladeangle measure inlet.jpg --out record.json\n", "photo.jpg": b"\xff\xd8\xff\xe0bladeangle",
        "plain.png": b"\x89PNG\r\n\x1a\n" + bytes(100), "data.json": b'{"name": "bladeangle"}',
        "other.xlsx": b"PK\x03\x04" + bytes(100), "page.html": b"<!doctype html><title>bladeangle</title>",
        "space": b" ", "settings.toml": b'camera = "phone.json"\n',
    }  # fmt: skip
    for name, content in others.items():
        (tmp_path / name).write_bytes(content)
        with pytest.raises(OutputError) as caught:
            check_outputs([(tmp_path / name, kind)], [])
        assert caught.value.exit_code == 9 and caught.value.hint
    foreign = sqlite3.connect(tmp_path / "foreign.sqlite")
    foreign.execute("CREATE TABLE t (x)")
    foreign.close()
    with pytest.raises(OutputError):
        check_outputs([(tmp_path / "foreign.sqlite", kind)], [])
    (tmp_path / "empty").touch()
    check_outputs([(tmp_path / "empty", kind), (tmp_path / "new", kind), (None, kind)], [None])


SPELLINGS: dict[str, Callable[[Path], Path]] = {
    "plain": lambda p: p,
    "dotted": lambda p: p.parent / "." / p.name,
    "round": lambda p: p.parent / "sub" / ".." / p.name,
    "relative": lambda p: Path(os.path.relpath(p)),
    "link": lambda p: p.parent / f"link-{p.name}",
    "hard": lambda p: p.parent / f"hard-{p.name}",
    "by folder": lambda p: p.parent / "way" / p.name,
}


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.sampled_from(["a", "b"]), st.sampled_from(["a", "b"]), st.sampled_from(list(SPELLINGS)),
    st.sampled_from(list(SPELLINGS)), st.booleans(),
)  # fmt: skip
def test_no_two_files_of_a_call_coincide(tmp_path: Path, one: str, two: str, how: str, as_: str, read: bool) -> None:
    """Whatever the spelling: the same file is refused as an input and output, or as two outputs; another is not."""
    if not (tmp_path / "sub").exists():
        (tmp_path / "sub").mkdir()
        (tmp_path / "way").symlink_to(tmp_path)
        for name in ("a", "b"):
            (tmp_path / name).touch()
            (tmp_path / f"link-{name}").symlink_to(name)
            (tmp_path / f"hard-{name}").hardlink_to(tmp_path / name)
    first, second = SPELLINGS[how](tmp_path / one), SPELLINGS[as_](tmp_path / two)
    outputs, inputs = ([(first, "record")], [second]) if read else ([(first, "record"), (second, "png")], [])
    if one != two:
        check_outputs(outputs, inputs)
        return
    with pytest.raises(UsageError, match="files that are read" if read else "written twice") as caught:
        check_outputs(outputs, inputs)
    assert caught.value.exit_code == 2


def test_files_that_are_not_there_yet_coincide_too(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="written twice"):
        check_outputs([(tmp_path / "new", "csv"), (tmp_path / "." / "new", "xlsx")], [])
    (tmp_path / "dangling").symlink_to("new")
    with pytest.raises(UsageError, match="written twice"):
        check_outputs([(tmp_path / "new", "csv"), (tmp_path / "dangling", "xlsx")], [])
    check_outputs([(tmp_path / "a\0b", "csv")], [])  # refused where it is written


def test_marked_pictures_are_whole(tmp_path: Path) -> None:
    import io

    from PIL import Image

    buffer = io.BytesIO()
    Image.new("L", (30, 20), 77).save(buffer, "PNG")
    with Image.open(io.BytesIO(marked_png(buffer.getvalue()))) as found:
        found.load()
        assert found.size == (30, 20) and found.getpixel((3, 3)) == 77
        assert found.info["Software"] == "bladeangle"
    assert kind_by_name(Path("x.PNG")) == "png" and kind_by_name(Path("x")) == "" and kind_by_name(None) == ""
