"""Damaged and invented files of every kind, imported: how many go in, are refused, or bring a fault to light.

    python benchmarks/fuzz_imports.py [COUNT [FIRST_SEED [MOST_MINUTES]]]

Each input has a seed of its own, from which it is made again: a sample of ``sample_logs/quirks`` with pieces
cut out, doubled, exchanged or overwritten; a table of invented columns and cells; JSON, free text
and archives of the same build.  Questions are answered by their first choice.  After each input the record
must have grown by what was told and by nothing else, and no refusal may be a fault of the program.  The peer
is nothing at all: the count of faults must be 0; the seed of each is printed.
"""

from __future__ import annotations

import gzip
import io
import json
import random
import sys
import tempfile
import time
import zipfile
from collections import Counter
from pathlib import Path

from sqlalchemy import func, select

from drift.importer.importing import FileImported, FileRefused, import_files
from drift.ingest.mapping import MappingFile
from drift.ingest.settle import Settler
from drift.notices import RecordCode
from drift.readings import READING_COLUMNS
from drift.record import schema
from drift.record.record import Record
from drift.render.import_words import row_words
from drift.render.notices import sentence
from drift.site.file import load_pier

QUIRKS = Path(__file__).parents[1] / "sample_logs" / "quirks"
#: A record is begun anew after so many inputs.
RECORD_INPUTS = 400
SITE = """[site]
name = "Fuzz"
latitude_deg = 47.3
longitude_deg = -92.4
elevation_m = 410
timezone = "America/Chicago"
"""
#: Words of names, and cells as people and programs write them.
WORDS = """
time_utc date Time Date UTC Local RA Dec Az Alt HA success Solved Mount,RA hour Year Month Day Hour Temp Tmin
Tmax snow depth north east face place kind amount JD MJD RA/Dec coordinates side pierside exposure ra_deg
dec_deg mount_ra_deg mount_dec_deg tube_side az_error_arcmin alt_error_arcmin tilt_north_arcsec
tilt_east_arcsec t_min_c t_max_c snow_cm bearing_deg thickness_mm turns \u00b0 (deg) (h) [arcsec] \u00fc '
" # | ; = : sign d m s
"""
WRITTEN = """
2024-03-01T22:00:00Z 2024-03-01 22:00:00 22:14:05 24-03-01 03/04/2024 1.3.2024 CST CDT +02:00 2460371.4
60371.25 1709330000 45352.9 12:34:56.7 -41:16:09 12h34m56s +41d16m09s 10.5 -0.5 1e999 NaN inf 1,5 1_000 360
359.9999999 -90.0001 1e-320 0x1F true false failed east pierWest azimuth shim \u2212 \u0661 \u00b2 \ud83d
9999-12-31T23:59:59Z 0001-01-01T00:00:00Z 2024-02-30T00:00:00Z None null
"""
NAMES, CELLS = WORDS.split(), WRITTEN.split()
ENDINGS = (
    ".csv",
    ".tsv",
    ".txt",
    ".log",
    ".json",
    ".jsonl",
    ".ecsv",
    ".vot",
    ".fits",
    ".csv.gz",
    ".zip",
    ".xlsx",
    "",
)


def samples() -> list[Path]:
    """Return the sample files; of folders the images in them."""
    return sorted(
        path for path in QUIRKS.rglob("*") if path.is_file() and path.name not in ("README.md", "pier.toml")
    )


def damaged(data: bytes, rng: random.Random) -> bytes:
    """Return bytes with some pieces changed."""
    for _ in range(rng.randint(1, 6)):
        start = rng.randint(0, len(data))
        end = min(len(data), start + rng.choice((1, 3, 20, 80, 2880)))
        piece = rng.choice(
            (
                b"", b'"', b"\n", b"\0", b",", b"NaN", b"\xff\xfe", b"\r", b"#",
                data[start:end] * 2, data[start:end][::-1], rng.randbytes(rng.randint(1, 12)),
                rng.choice(CELLS).encode("utf-8", "replace"), data[: rng.randint(0, 300)],
            )
        )  # fmt: skip
        data = data[:start] + piece + data[end:]
    return data


def invented(rng: random.Random) -> bytes:
    """Return a text of invented names and cells: a table, JSON or lines of free text."""
    width, height = rng.randint(1, 12), rng.randint(0, 30)
    names = [" ".join(rng.choices(NAMES, k=rng.randint(1, 3))) for _ in range(width)]
    usual = [[rng.choice(CELLS) for _ in range(3)] for _ in names]  # a column has a few ways to write
    rows = [
        [rng.choice(one) if rng.random() < 0.9 else rng.choice(CELLS) for one in usual] for _ in range(height)
    ]
    kind = rng.random()
    if kind < 0.6:
        delimiter = rng.choice((",", ";", "\t", "|", "  ", " "))
        head = [names] * rng.choice((1, 1, 1, 2, 0))
        text = "\n".join(delimiter.join(row) for row in [*head, *rows])
    elif kind < 0.8:
        objects = [dict(zip(names, row, strict=True)) for row in rows]
        whole = rng.choice((objects, {"a": objects}, {"a": {"b": objects, "c": 1}}, [names, *rows]))
        text = json.dumps(whole) if rng.random() < 0.7 else "\n".join(map(json.dumps, objects))
    else:
        text = "\n".join(
            f"2024-03-{rng.randint(0, 32):02d} 21:14:05 "
            + " ".join(map("=".join, zip(names, row, strict=True)))
            for row in rows
        )
    data = text.encode("utf-8", "replace")
    return damaged(data, rng) if data and rng.random() < 0.3 else data


def packed(data: bytes, rng: random.Random) -> bytes:
    """Return bytes packed by gzip or in an archive, some of them cut."""
    if rng.random() < 0.5:
        data = gzip.compress(data)
    else:
        whole = io.BytesIO()
        with zipfile.ZipFile(whole, "w") as archive:
            for at in range(rng.choice((1, 1, 1, 2, 0))):
                archive.writestr(f"log{at}.csv", data)
        data = whole.getvalue()
    return data[: rng.randint(0, len(data))] if rng.random() < 0.2 else data


def an_input(seed: int, files: list[Path]) -> tuple[str, bytes]:
    """Return the name and the bytes of the input of a seed."""
    rng = random.Random(seed)
    path = rng.choice(files)
    chosen = rng.random()
    if chosen < 0.55:
        return path.name, damaged(path.read_bytes(), rng)
    data = invented(rng) if chosen < 0.9 else packed(invented(rng), rng)
    return f"log{rng.choice(ENDINGS)}", data


def tried(record: Record, folder: Path, name: str, data: bytes) -> str:
    """Import one input; return what became of it, or raise what must not be."""
    path = folder / name
    path.write_bytes(data)
    (folder / "logs.toml").unlink(missing_ok=True)
    settle = Settler(
        MappingFile.beside(folder / "pier.toml"),
        {},
        ask=lambda table, question: question.choices[0].answer,
        agree=lambda table, proposal, preview, wanted: wanted,
    )
    before = in_record(record)
    outcomes = list(import_files(record, [path], settle=settle))
    path.unlink()
    grown = in_record(record) - before
    told = 0
    for one in outcomes:
        if isinstance(one, FileRefused):
            if "a fault of drift" in str(one.error):
                raise AssertionError(str(one.error))
            continue
        told += one.went_in - replaced(one)
        for notice in (one.why, *one.remarks):
            sentence(notice)
        for row in (*one.set_aside, *one.left_out):
            row_words(row)
    if grown != told:
        raise AssertionError(f"{told} rows were told, {grown} came")
    if all(isinstance(one, FileRefused) for one in outcomes):
        return "refused"
    return "went in" if told else "set aside"


def replaced(one: FileImported) -> int:
    """Count the rows that an import says it put others in the place of."""
    again = sum(note.values["rows"] for note in one.remarks if note.code is RecordCode.READ_OTHERWISE)
    return int(again) + sum(note.code is RecordCode.ROW_COMPLETED for note in one.remarks)


def in_record(record: Record) -> int:
    """Count the rows of a record that are in use; those of a former reading are kept as well."""
    with record.reading("counting") as connection:
        tables = [schema.readings[kind] for kind in READING_COLUMNS]
        counts = (
            select(func.count()).select_from(one).where(one.c.status == schema.IN_USE) for one in tables
        )
        return sum(int(connection.scalar(one) or 0) for one in counts)


def main(count: int = 10_000, first: int = 1, most_minutes: float = 5.0) -> int:
    """Run the campaign and print its counts; return 1 when there was a fault."""
    files, counts, began, slowest = samples(), Counter[str](), time.monotonic(), (0.0, 0)
    done = 0
    for start in range(first, first + count, RECORD_INPUTS):
        with tempfile.TemporaryDirectory() as made:
            folder = Path(made)
            (folder / "pier.toml").write_text(SITE)
            with Record.open(load_pier(folder / "pier.toml")) as record:
                for seed in range(start, min(start + RECORD_INPUTS, first + count)):
                    if time.monotonic() - began > 60.0 * most_minutes:
                        break
                    name, data = an_input(seed, files)
                    since = time.monotonic()
                    try:
                        counts[tried(record, folder, name, data)] += 1
                    except Exception as error:  # that is what is looked for
                        counts["fault"] += 1
                        print(f"seed {seed} ({name}): {type(error).__name__}: {str(error)[:300]}", flush=True)
                    slowest = max(slowest, (time.monotonic() - since, seed))
                    done += 1
    print(f"{done} inputs, seeds {first} to {first + done - 1}, in {time.monotonic() - began:.0f} s")
    print(", ".join(f"{name}: {number}" for name, number in sorted(counts.items())))
    print(f"slowest: {slowest[0]:.1f} s, seed {slowest[1]}")
    return 1 if counts["fault"] else 0


if __name__ == "__main__":
    given = sys.argv[1:]
    sys.exit(main(*(int(one) for one in given[:2]), *(float(one) for one in given[2:3])))
