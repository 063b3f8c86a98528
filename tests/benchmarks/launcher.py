"""Runs a command and writes its times, exit status and peak memory to a file; small, as a child inherits its size.

``python -I -S launcher.py REPORT COMMAND...``
"""

import json
import os
import sys
import time


def main() -> None:
    began = time.perf_counter()
    child = os.fork()
    if child == 0:
        os.execvp(sys.argv[2], sys.argv[2:])
    _, status, usage = os.wait4(child, 0)
    said = {
        "status": os.waitstatus_to_exitcode(status),
        "wall_s": time.perf_counter() - began,
        "cpu_s": usage.ru_utime + usage.ru_stime,
        "peak_kib": usage.ru_maxrss,
    }
    with open(sys.argv[1], "w", encoding="utf-8") as report:
        json.dump(said, report)


if __name__ == "__main__":
    main()
