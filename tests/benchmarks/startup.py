"""How long `import resonance` and `resonance --help` take beyond bare Python with numpy.

    python tests/benchmarks/startup.py [RUNS]

Prints the median of several runs of each, in turn, so that a busy machine burdens all alike. The aim
is 0.3 s at most beyond ``python -c "import numpy"``.
"""

import statistics
import subprocess
import sys
import time

AIM = 0.3
COMMANDS = {
    "import numpy": ["-c", "import numpy"],
    "import resonance": ["-c", "import numpy, resonance"],
    "resonance --help": ["-c", "import numpy; from resonance.cli.main import main; main(['--help'])"],
}


def seconds(arguments):
    """Wall time of one fresh interpreter."""
    start = time.perf_counter()
    subprocess.run([sys.executable, *arguments], stdout=subprocess.DEVNULL, check=True)
    return time.perf_counter() - start


def main():
    """Time every command in turn and print the medians."""
    runs = int(sys.argv[1]) if len(sys.argv) > 1 else 9
    times = {name: [] for name in COMMANDS}
    for _ in range(runs + 1):
        for name, arguments in COMMANDS.items():
            times[name].append(seconds(arguments))
    medians = {name: statistics.median(values[1:]) for name, values in times.items()}
    base = medians["import numpy"]
    for name, median in medians.items():
        print(f"{name:18} {median:.3f} s   {median - base:+.3f} s   {median / base:.2f} x")
    return 0 if max(medians.values()) - base <= AIM else 1


if __name__ == "__main__":
    sys.exit(main())
