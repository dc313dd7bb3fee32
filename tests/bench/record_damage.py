"""Random damages to records: run `python tests/bench/record_damage.py [COUNT]`; prints, judges nothing.

COUNT (1,000) single damages (a bit flipped; the tail cut off; two lines swapped; a line or a stretch deleted; zeroed;
the file replaced; the file gone) to a finished record and as many to an open one. Counted: noticed by verify; the file
named; in the journal also the first line that differs; what is worn still known. The baseline is the chain alone, as
records of version 1 had it.
"""

from __future__ import annotations

import random
import shutil
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "record"))

from damages import make, spoil

from voicecoach.errors import RecordError
from voicecoach.record.lines import FILE
from voicecoach.record.read import read
from voicecoach.record.verify import verify
from voicecoach.record.worn import last_known_worn


def first_line(before: bytes, folder: Path) -> int:
    """The first line of the journal that differs, from 1; one after the last if lines are missing at its end."""
    after = (folder / FILE).read_bytes() if (folder / FILE).is_file() else b""
    pairs = enumerate(zip(before, after, strict=False))
    at = next((at for at, (one, other) in pairs if one != other), min(len(before), len(after)))
    return before[:at].count(b"\n") + 1


def by_chain_alone(folder: Path) -> bool:
    """Whether a reader of version 1 would have noticed: manifest, chain and torn last line."""
    try:
        session = read(folder)
    except RecordError:
        return True
    return session.broken_at is not None or bool(session.torn)


def run(root: Path, count: int, *, finished: bool) -> None:
    whole = make(root / "whole" / "s", finished=finished)
    before, worn = (whole / FILE).read_bytes(), last_known_worn(whole)
    assert worn is not None
    kinds: Counter[str] = Counter()
    missed: Counter[str] = Counter()
    named = lines = of_lines = still_worn = chain_alone = 0
    took_s = []
    for seed in range(count):
        shutil.copytree(root / "whole", root / "copy")
        folder = root / "copy" / "s"
        damage, name = spoil(folder, random.Random(seed))  # noqa: S311  the same damages each time
        kinds[damage] += 1
        begin = time.perf_counter()
        found = verify(folder)
        took_s.append(time.perf_counter() - begin)
        if found.state != "damaged":
            missed[f"{damage} of {name}"] += 1
        else:
            first = found.findings[0]
            named += first.file == name
            if name == FILE and first.file == FILE:
                of_lines += 1
                right = first_line(before, folder)
                lines += first.line in {None, right, right - 1}
        known = last_known_worn(folder)
        still_worn += known is not None and known.on == worn.on
        chain_alone += by_chain_alone(folder)
        shutil.rmtree(root / "copy")
    shutil.rmtree(root / "whole")
    noticed = count - sum(missed.values())
    print(f"{'finished' if finished else 'open'} record, {before.count(10)} lines, {count} damages: {dict(kinds)}")
    print(f"  noticed {noticed} ({100 * noticed / count:.1f} %); baseline, the chain alone: {chain_alone}")
    print(f"  the damaged file named first: {named}; in the journal the line as well: {lines} of {of_lines}")
    print(f"  what is worn still known rightly: {still_worn}")
    ms = 1000 * np.array(took_s)
    print(f"  verify: median {np.median(ms):.1f} ms, 95th {np.percentile(ms, 95):.1f} ms")
    for what, times in missed.most_common():
        print(f"  missed {times}: {what}")


if __name__ == "__main__":
    many = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    with tempfile.TemporaryDirectory() as place:
        for kind in (True, False):
            run(Path(place), many, finished=kind)
