"""Sixty files, twelve of them damaged in twelve ways: one bad file never stops the others."""

from __future__ import annotations

import zipfile
from pathlib import Path

import intake_kit as kit
import numpy as np

from reeftally.intake import take_in
from reeftally.store import open_store

ROWS = 120


def good_files(inbox: Path) -> dict[str, int]:
    """Write 48 files that load fully, oddly written ones among them; rows of each."""
    rows: dict[str, int] = {}
    for number in range(16):
        name = f"VEL-A_{number:03d}.txt"
        text = kit.velocity_text(number * ROWS, ROWS)
        if number == 1:
            text = text.replace("\n", "\r\n")
        elif number == 2:
            text = text.replace("\n", ";\n")
        elif number == 3:
            text = "# firmware 1.2\n" + text + "# restart\n" + kit.VELOCITY_HEADER
        elif number == 4:
            text = text.replace(";", '";"').replace("\n", '"\n').replace("\n2", '\n"2').replace("time", '"time')
        (inbox / name).write_text(text)
        rows[name] = ROWS
    encodings = ["latin-1", "utf-8", "utf-16", "utf-8-sig", "cp1252"]
    for label in ("OXY-1", "OXY-2"):
        for number in range(8):
            name = f"{label}_{number:03d}.txt"
            text = kit.optode_text(number * ROWS, ROWS, shift=float(label[-1]))
            (inbox / name).write_bytes(text.encode(encodings[number % len(encodings)]))
            rows[name] = ROWS
    for number in range(16):
        name = f"CTD-1_{number:03d}.csv"
        (inbox / name).write_text(kit.ctd_text(number * ROWS, ROWS))
        rows[name] = ROWS
    return rows


def damaged_files(inbox: Path) -> dict[str, tuple[str, int | None, str]]:
    """Write 12 damaged files; of each: what the message must say, the line, the status."""
    lines = kit.velocity_lines(10_000, ROWS)
    told: dict[str, tuple[str, int | None, str]] = {}

    # Row numbers are those of section 6 of the job's list of faults.
    (inbox / "VEL-A_d01.txt").write_text((kit.VELOCITY_HEADER + "".join(lines))[:-9])
    told["VEL-A_d01.txt"] = ("a last line without an end", ROWS + 1, "partly")  # 13 cut short

    junk = kit.velocity_lines(11_000, ROWS)
    junk[10] = junk[11] = junk[12] = "\x02\x7f\x1b\x00;0.1\x11\n"
    (inbox / "VEL-A_d02.txt").write_text(kit.VELOCITY_HEADER + "".join(junk))
    told["VEL-A_d02.txt"] = ("3 line(s) like", 12, "partly")  # 17 serial noise

    (inbox / "VEL-A_d03.txt").write_text("")
    told["VEL-A_d03.txt"] = ("0 bytes", None, "empty")  # 21 empty

    (inbox / "OXY-1_d04.txt").write_text(kit.OPTODE_HEADER, encoding="latin-1")
    told["OXY-1_d04.txt"] = ("a header and no rows", None, "empty")  # 21 header only

    (inbox / "notes.doc").write_bytes(b"\xd0\xcf\x11\xe0 minutes of the evening")
    told["notes.doc"] = ("no layout fits", None, "unknown")

    (inbox / "CTD-1_d06.csv").write_text(kit.ctd_text(0, ROWS, serial="999"))
    told["CTD-1_d06.csv"] = ("'999'", None, "refused")  # 30 foreign serial number

    mangled = [
        ";".join([*line.split(";")[:2], "05-Mar", line.split(";")[3]]) for line in kit.optode_lines(20_000, ROWS)
    ]
    (inbox / "OXY-2_d07.txt").write_text(kit.OPTODE_HEADER + "".join(mangled), encoding="latin-1")
    told["OXY-2_d07.txt"] = ("'05-Mar'", 2, "refused")  # 29 changed by a spreadsheet

    lost = kit.velocity_text(12_000, ROWS).replace("corr", "quality", 1)
    (inbox / "VEL-A_d08.txt").write_text(lost)
    told["VEL-A_d08.txt"] = ("columns time, u, v, w, quality, snr", 1, "refused")  # 15 column gone

    grouped = [
        ";".join([*line.split(";")[:2], "1.180,50", line.split(";")[3]]) for line in kit.optode_lines(21_000, ROWS)
    ]
    (inbox / "OXY-1_d09.txt").write_text(kit.OPTODE_HEADER + "".join(grouped), encoding="latin-1")
    told["OXY-1_d09.txt"] = ("'1.180,50'", 2, "refused")  # 16 thousands marks

    american = "".join(f"03/25/2031 {line[11:]}" for line in kit.velocity_lines(13_000, ROWS))
    (inbox / "VEL-A_d10.txt").write_text(kit.VELOCITY_HEADER + american)
    told["VEL-A_d10.txt"] = ("'03/25/2031", 2, "refused")  # 7 another way to write dates

    (inbox / "VEL-A_d11.txt").write_text(kit.velocity_text(0, ROWS, seed=9))
    told["VEL-A_d11.txt"] = ("values differ from those of VEL-A_000.txt", None, "partly")  # 19 overlap

    with zipfile.ZipFile(inbox / "card_d12.zip", "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("VEL-A_d12.txt", kit.velocity_text(14_000, ROWS))
    data = bytearray((inbox / "card_d12.zip").read_bytes())
    data[120] ^= 0xFF
    (inbox / "card_d12.zip").write_bytes(data)
    told["card_d12.zip/VEL-A_d12.txt"] = ("a damaged member", None, "damaged")  # 26 damaged archive
    return told


def test_of_60_files_48_load_12_are_named_and_60_raw_copies_are_kept(tmp_path: Path) -> None:
    folder = kit.mission(tmp_path, book=True)
    inbox = folder / "inbox"
    good, bad = good_files(inbox), damaged_files(inbox)
    names = sorted(path.name for path in inbox.iterdir())
    assert len(names) == 60

    report = take_in(folder, now_ns=kit.NOW_NS)

    by_name = {file.name: file for file in report.files}
    loaded = [file for file in report.files if file.status == "loaded" and file.stream != "archive"]
    assert sorted(file.name for file in loaded) == sorted(good)
    assert {file.name: file.rows_new for file in loaded} == good
    assert [file.name for file in loaded if file.messages] == []
    messages = [(file.name, message) for file in report.files for message in file.messages]
    assert sorted(name for name, _ in messages) == sorted(bad)
    for name, message in messages:
        found, line, status = bad[name]
        assert found in message.found, (name, str(message))
        assert message.line == line, (name, str(message))
        assert by_name[name].status == status
        assert message.expected
        assert message.mend
    assert len(list((folder / "raw").glob("??/*"))) == 60
    assert sorted(path.name for path in inbox.iterdir()) == sorted(
        name.partition("/")[0] for name in bad if bad[name][2] != "empty"
    )


def test_the_damage_leaves_the_rows_of_the_good_files_untouched(tmp_path: Path) -> None:
    clean = kit.mission(tmp_path / "clean", book=True)
    good_files(clean / "inbox")
    take_in(clean, now_ns=kit.NOW_NS)
    damaged = kit.mission(tmp_path / "damaged", book=True)
    good_files(damaged / "inbox")
    damaged_files(damaged / "inbox")
    take_in(damaged, now_ns=kit.NOW_NS)

    wanted, found = open_store(clean), open_store(damaged)

    for stream, info in wanted.streams().items():
        rows = wanted.read(stream)
        held = found.read(stream, end_ns=info.last_ns + 1)
        for name, value in rows.items():
            np.testing.assert_array_equal(held[name], value)
