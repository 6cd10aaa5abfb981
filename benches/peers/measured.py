"""What a command takes: wall and processor seconds, peak memory.

    from measured import run
    lines, taken = run([program, argument])

A new process counts the memory of the one that starts it as its own, so that it is started by this file, which
has little.
"""

import json
import os
import subprocess
import sys
import time


def run(command):
    """The lines that the command prints, and {seconds, processor, megabytes, code}."""
    process = subprocess.run([sys.executable, __file__, *map(str, command)], stdout=subprocess.PIPE, check=True)
    *lines, taken = process.stdout.decode().splitlines()
    return lines, json.loads(taken)


def main():
    start = time.perf_counter()
    process = subprocess.Popen(sys.argv[1:])
    _, status, usage = os.wait4(process.pid, 0)
    print(json.dumps({
        "seconds": time.perf_counter() - start,
        "processor": usage.ru_utime + usage.ru_stime,
        "megabytes": usage.ru_maxrss / 1024,
        "code": os.waitstatus_to_exitcode(status),
    }))


if __name__ == "__main__":
    main()
