"""The processor time and page faults of a process, which tell one that hangs from one that the machine delays."""

from __future__ import annotations

import contextlib
import sys
import time
from pathlib import Path
from typing import NamedTuple


class ProcessUsage(NamedTuple):
    """The usage of a process so far. work_s: processor time (s). pages: pages of memory it had to wait for (major
    faults).
    """

    work_s: float
    pages: int


def used(pid: int | None) -> ProcessUsage | None:
    """The usage of process `pid`; None where the system does not tell."""
    if sys.platform != "linux" or pid is None:
        return None
    with contextlib.suppress(OSError, ValueError, IndexError):
        work_s = time.clock_gettime(~pid << 3 | 2)  # what clock_getcpuclockid(3) gives; Python has no name for it
        # majflt of proc_pid_stat(5), the tenth behind the name in brackets
        return ProcessUsage(work_s, int(Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[9]))
    return None
