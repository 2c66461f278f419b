"""Speed of the measuring core, as ratios measured side by side in one run: python tests/benchmarks/measurement.py

Nothing here asserts a time. Instruments and readings are invented.
"""

from __future__ import annotations

import copy
import json
import math
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from scipy.special import ndtr

from diagnb.conformity import Limit, judge, judge_many
from diagnb.evaluation import evaluate
from diagnb.record import load_record
from diagnb.shipped import templates_directory
from diagnb.uncertainty import Component, Estimate, monte_carlo, propagate

N = 1_000_000
ROOT = math.sqrt(3)
PERCENT, COUNTS, STEP = 0.005, 2, 0.01


def best(work: Callable[[], Any], repeats: int = 5) -> float:
    """The shortest of some runs, in seconds."""
    times = []
    for _ in range(repeats):
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    return min(times)


def reading(value: Any, name: str) -> Estimate:
    """A display of a ±(0.5 % + 2 counts) meter, scalar or array."""
    tag = frozenset({name})
    return Estimate.of(
        value,
        (
            Component(
                f"gain at {name}", PERCENT * value / ROOT, distribution="rectangular", group="gain", indications=tag
            ),
            Component("offset", (COUNTS - 0.5) * STEP / ROOT, distribution="rectangular", indications=tag),
            Component(f"quantisation of {name}", STEP / 2 / ROOT, distribution="rectangular", indications=tag),
        ),
    )


def import_times() -> None:
    """Import of the package above the bare interpreter, each in a process of its own."""

    def run(code: str) -> float:
        return best(lambda: subprocess.run([sys.executable, "-c", code], check=True), 7)

    bare = run("pass")
    row("import diagnb, above the interpreter", run("import diagnb") - bare, "goal 0.10 s")
    shell = "from IPython.core.interactiveshell import InteractiveShell as S; s = S.instance(); "
    loaded = run(f"{shell}s.run_line_magic('load_ext', 'diagnb')") - run(shell)
    row("%load_ext diagnb, above the shell", loaded, "goal 0.15 s")
    row("import numpy, for comparison", run("import numpy") - bare, "")
    row("diagnb.evaluation with all it needs", run("import diagnb.evaluation") - bare, "")


def one_result() -> None:
    """One propagation with u, ν and k: ours, uncertainties, GTC."""
    import GTC
    from uncertainties import ufloat

    limit = Limit(upper=0.5)

    def ours() -> None:
        r = propagate("V / I", {"V": Estimate(0.2384, 0.0008), "I": Estimate(85.4, 1.2)})
        r.standard_uncertainty, r.degrees_of_freedom  # noqa: B018

    def complete() -> None:
        r = propagate("V / I", {"V": Estimate(0.2384, 0.0008), "I": Estimate(85.4, 1.2)})
        r.expanded()
        judge(r, limit)

    def linear() -> None:
        r = ufloat(0.2384, 0.0008) / ufloat(85.4, 1.2)
        r.n, r.s  # noqa: B018

    def gtc() -> None:
        r = GTC.ureal(0.2384, 0.0008) / GTC.ureal(85.4, 1.2)
        r.x, r.u, r.df  # noqa: B018

    def loop(work: Callable[[], None]) -> float:
        return best(lambda: [work() for _ in range(500)]) / 500

    mine = loop(ours)
    row("one quotient: value, u, ν (ours)", mine, "")
    row("  with k, probability, verdict (ours)", loop(complete), "")
    row("  uncertainties: value, u", other := loop(linear), f"{other / mine:.1f} × ours")
    row("  GTC: value, u, ν", other := loop(gtc), f"{other / mine:.1f} × ours")


def one_record() -> None:
    """A record of 30 results, evaluated whole; loading and its digest apart."""
    plain = json.loads((templates_directory() / "demo-record.json").read_text(encoding="utf-8"))
    settled = [t for t in plain["tests"] if t["id"] in ("3", "5", "6", "7")]
    tests = []
    for number in range(15):
        test = copy.deepcopy(settled[number % len(settled)])
        test["id"] = str(number)
        test.pop("repeats_test", None)
        tests.append(test)
    plain |= {"tests": tests, "findings": []}
    record = load_record(plain)
    count = sum(len(t.results) for t in evaluate(record).tests)
    row(f"record of {count} results evaluated", best(lambda: evaluate(record), 30), "goal < 3 ms")
    paired = len(evaluate(record).pairs)
    row(
        f"  and its {paired} pairs as found and as left",
        best(lambda: evaluate(record).pairs, 10),
        "worked out when asked for",
    )
    row("  loading and checking it", best(lambda: load_record(plain), 10), "")


def a_million() -> None:
    """Complete verdicts on a million drops, each the difference of two readings of one meter."""
    from uncertainties import unumpy

    g = np.random.default_rng(1)
    v1 = g.uniform(12, 13, N)
    limit = Limit(upper=0.3)

    for label, spread in (("wide spread", 0.6), ("most near the limit", 0.08)):
        v2 = v1 - g.normal(0.25, spread, N)

        def ours(v2: Any = v2) -> None:
            judge_many(propagate("a - b", {"a": reading(v1, "a"), "b": reading(v2, "b")}), limit)

        def by_hand(v2: Any = v2) -> None:
            # Value, u and a normal probability only: no worst case, no k from the shape, no capability.
            drop = v1 - v2
            u = np.sqrt(((PERCENT * v1) ** 2 + (PERCENT * v2) ** 2 + 2 * (STEP / 2) ** 2) / 3)
            pc = ndtr((0.3 - drop) / u)
            np.where(pc >= 0.95, 0, np.where(pc <= 0.05, 3, np.where(drop <= 0.3, 1, 2)))

        ours()
        mine = best(ours)
        hand = best(by_hand)
        row(
            f"10⁶ complete verdicts, {label}",
            mine,
            f"{mine / hand:.1f} × hand-written NumPy that does less; goal 0.3 s",
        )
    part = N // 20
    u = np.full(part, 0.05)

    def linear() -> None:
        r = unumpy.uarray(v1[:part], u) - unumpy.uarray(v2[:part], u)
        unumpy.nominal_values(r), unumpy.std_devs(r)

    other = best(linear, 3) * N / part
    row("  unumpy: value and u only (scaled from 5·10⁴)", other, f"{other / mine:.0f} × ours; goal ≥ 25")


def sampling() -> None:
    """Monte Carlo, 10⁶ trials, six inputs."""

    def build(value: float, name: str, gain: float, offset: float, step: float) -> Estimate:
        parts = ((f"g{name}", gain * value), (f"o{name}", offset), (f"q{name}", step))
        return Estimate.of(value, tuple(Component(n, a / ROOT, distribution="rectangular") for n, a in parts))

    inputs = {"V": build(0.2384, "V", 0.005, 0.00015, 0.00005), "I": build(85.4, "I", 0.02, 0.45, 0.05)}

    def by_hand() -> None:
        g = np.random.Generator(np.random.PCG64DXSM(1))

        def u(half: float) -> Any:
            return g.uniform(-half, half, N)

        r = (0.2384 * (1 + u(0.005)) + u(0.00015) + u(0.00005)) / (85.4 * (1 + u(0.02)) + u(0.45) + u(0.05))
        r.mean(), r.std(ddof=1), np.quantile(r, [0.025, 0.975])

    hand = best(by_hand)
    mine = best(lambda: monte_carlo("V / I", inputs))
    row("Monte Carlo, 10⁶ trials, 6 inputs", mine, f"{mine / hand:.2f} × hand-written NumPy; goal ≤ 1.3")


def row(what: str, seconds: float, remark: str) -> None:
    """One line of the table."""
    shown = f"{seconds * 1e6:9.1f} µs" if seconds < 1e-3 else f"{seconds * 1e3:9.1f} ms"
    print(f"| {what:52} | {shown} | {remark} |")


def main() -> None:
    """Print the table."""
    print(f"| {'work':52} | {'best':>12} | beside it |\n|{'-' * 54}|{'-' * 14}|---|")
    for part in (import_times, one_result, one_record, a_million, sampling):
        part()


if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
    main()
