"""What is promised about speed, each as a ratio to its bound measured in the same run."""

import statistics


def told(name, ratio, ratios, goal):
    """Print one figure with the spread of the single ratios; 1 where the goal is missed, else 0."""
    low, *_, high = statistics.quantiles(ratios, n=10)
    verdict = "reached" if ratio <= goal else "NOT reached"
    print(f"{name}: ratio {ratio:.2f} ({low:.2f}..{high:.2f}), goal ≤ {goal:g}, {verdict}", flush=True)
    return int(ratio > goal)
