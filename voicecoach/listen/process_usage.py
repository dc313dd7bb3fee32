"""What a process has used so far, which tells a hanging one from one that the machine delays."""

from __future__ import annotations

import contextlib
import sys
import time
from pathlib import Path
from typing import NamedTuple


class ProcessUsage(NamedTuple):
    """What a process has used. work_s: processor time (s). pages: of memory that it waited for from the disk."""

    work_s: float
    pages: int


def used(pid: int | None) -> ProcessUsage | None:
    """None where that cannot be told."""
    if sys.platform != "linux" or pid is None:
        return None
    with contextlib.suppress(OSError, ValueError, IndexError):
        work_s = time.clock_gettime(~pid << 3 | 2)  # what clock_getcpuclockid(3) gives; Python has no name for it
        # majflt of proc_pid_stat(5), the tenth behind the name in brackets
        return ProcessUsage(work_s, int(Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[9]))
    return None
