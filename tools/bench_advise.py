"""What a person is told: when to hold, the spindle in a hold, passes too heavy or too light (made sound)."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

RUNS = 20


def main(arguments: list[str]) -> int:
    """Print the counts; 1 where a stopped spindle was called heard, or good runs were told of too often.

    `tools/bench advise 8` draws eight machines instead of twenty.
    """
    from tools.tools_advise.holds import print_holds
    from tools.tools_advise.spindle import print_spindle
    from tools.tools_advise.strength import print_strength

    n_runs = int(arguments[0]) if arguments else RUNS
    return max(print_holds(n_runs), print_spindle(n_runs), print_strength(n_runs))


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
