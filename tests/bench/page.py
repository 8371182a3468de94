"""The live page: how soon a poll is on the screen, what open pages cost the recorder, how fast any plot of a long run is answered, how
soon a fresh browser paints, and how much it loads.

The recorder polls a paced device as in `service`; the pages are opened by `page_child` in a Chromium of its own, at the lowest priority
with all its threads, because people look from another machine.
Stamps of the samples and of the screen come from the one clock of this machine.
"""

from __future__ import annotations

import http.client
import itertools
import json
import random
import statistics
import subprocess
import sys
import time
import urllib.parse
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Self

from loadlog.recorder.process import WATCH_S
from loadlog.store import Archive
from tests.bench.figures import Figure
from tests.bench.pace import Say
from tests.bench.programs import BenchError, device, python
from tests.bench.service import SETTLE_S, service, wait_until_polled
from tests.bench.store import build
from tests.bench.store_data import NS, SPECS, T0
from tests.bench.turns import COMMITTED_S, by_turns, compare, median_lateness
from tests.serving import serving

BAUD, UNITS, RATE_HZ = 115200, 8, 10.0
PLOT = ("voltage_v", "current_a", "temperature_c")  # the channels of a device's plots
POINTS = 1800  # the most that the page asks for
MOST_POINTS = 2000


@dataclass(frozen=True)
class PagePlan:
    """``hours`` of eight loads at 10 Hz: 69.5 are 20 million samples. ``turns`` of ``turn_s`` with ``pages``, and
    ``turns_here`` with as many that are drawn on this machine."""

    hours: float = 69.5
    spans: int = 120
    pages: int = 10
    turn_s: float = 5.0
    turns: int = 16
    turns_here: int = 10


QUICK = PagePlan(hours=4.0, spans=30, pages=3, turns=2, turns_here=2)


def page(programs: Path, folder: Path, plan: PagePlan, say: Say) -> list[Figure]:
    """All of them."""
    say(f"page: {plan.pages} pages on {UNITS} devices at {RATE_HZ:g} Hz")
    figures = live(programs, folder / "live", plan, say)
    say(f"page: a run of {plan.hours:g} h, eight loads at 10 Hz")
    build(folder / "long", plan.hours)
    return figures + plots(folder / "long", plan)


# -- live


class Pages:
    """The browser's side, in a process of its own."""

    def __init__(self, address: str, count: int, *mode: str) -> None:
        command = ["nice", "-n", "19", sys.executable, "-m", "tests.bench.page_child", *mode, address, str(count)]
        self._process = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
        self._say("")
        self.stamps: list[list[float]] = []  # of each device on each page: [sample that was drawn, screen], s, in pairs

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *exc: object) -> None:
        self._process.communicate("end\n", timeout=60)

    def _say(self, line: str) -> list[list[float]]:
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        if line:
            self._process.stdin.write(line + "\n")
            self._process.stdin.flush()
        answer = self._process.stdout.readline()
        if not answer:
            raise BenchError("the browser of the bench ended by itself")
        return list(json.loads(answer).get("drawn", []))

    def open(self) -> None:
        """All of them; until they are settled."""
        self._say("open")
        time.sleep(SETTLE_S)

    def shut(self) -> None:
        """All of them; until the recorder does not commit for them any more."""
        self._say("shut")
        time.sleep(WATCH_S + 1.0)

    def draw_and_shut(self) -> None:
        """As `shut`, and what was drawn is kept."""
        self.stamps += self._say("drawn")
        self.shut()


def live(programs: Path, folder: Path, plan: PagePlan, say: Say) -> list[Figure]:
    """From poll to pixel, and lateness with open pages, and with open ones that are drawn on this very machine, whose browser takes its
    share of it, each by turns with none."""
    with device(programs, BAUD) as paced, service(folder, paced.port, BAUD, UNITS, RATE_HZ) as (_, tcp_port):
        wait_until_polled(paced, folder)
        address = f"http://127.0.0.1:{tcp_port}"
        time.sleep(SETTLE_S)
        with Pages(address, plan.pages, "listen") as pages:
            elsewhere = by_turns(plan.turns, plan.turn_s, pages.open, pages.shut)
        say(f"page: {plan.pages} pages drawn on this machine")
        with Pages(address, plan.pages) as pages:
            here = by_turns(plan.turns_here, plan.turn_s, pages.open, pages.draw_and_shut)
        time.sleep(COMMITTED_S)
        archive = Archive(folder / "data")
        far, near = (compare([median_lateness(archive, turn) for turn in turns]) for turns in (elsewhere, here))
    delays = sorted(delay for one in pages.stamps for delay in each_sample(one))
    if len(delays) < 100:
        raise BenchError(f"only {len(delays)} samples came to the screen")
    beside = f"{plan.pages} pages, {len(delays)} samples on the screen; slowest {delays[-1]:.2f} s"
    return [
        Figure("from poll to pixel, median", statistics.median(delays), "s", most=0.3, beside=beside),
        Figure("from poll to pixel, p99", delays[len(delays) * 99 // 100], "s", most=1.0),
        Figure("lateness of the recorder with open pages, against without", far.value, most=1.05, beside=far.words),
        Figure("the same, pages drawn on this machine", near.value, most=1.05, beside=near.words),
    ]


def each_sample(drawn: list[float]) -> list[float]:
    """How long each sample took to the screen. ``drawn``: pairs of the stamps of what was drawn, sample and screen, one after the other. A
    sample between two that were drawn came to the screen with the later one."""
    pairs = list(zip(drawn[::2], drawn[1::2], strict=True))
    out = []
    for (before, _), (sample, screen) in itertools.pairwise(pairs):
        count = max(1, round((sample - before) * RATE_HZ))
        out += [screen - sample + i / RATE_HZ for i in range(count)]
    return out


# -- plots


def plots(data: Path, plan: PagePlan) -> list[Figure]:
    """Answers over spans of every length, first paint and weight."""
    end_ns = T0 + round(plan.hours * 3600) * NS
    samples = 8 * plan.hours * 36_000
    chance = random.Random(6)
    with serving(data, name="bench", specs=SPECS, plans=()) as address:
        connection = http.client.HTTPConnection(address.removeprefix("http://"), timeout=30)
        found = []
        for _ in range(plan.spans):
            long_ns = min(round(10 ** chance.uniform(0.7, 5.4) * NS), end_ns - T0)
            from_ns = chance.randrange(T0, end_ns - long_ns + 1)
            found.append((*ask(connection, chance.choice(list(SPECS)), from_ns, from_ns + long_ns), long_ns / NS))
        whole = [ask(connection, name, T0, end_ns)[0] for name in SPECS]
        connection.close()
        paint = [python("page_child", "paint", address, seconds=60) for _ in range(3)]
    slowest = max(found)
    beside = f"{len(PLOT)} channels, spans of 5 s to {plan.hours:g} h; slowest {1e3 * slowest[0]:.0f} ms for {slowest[2]:.0f} s"
    typical = 1e3 * statistics.median(took for took, _, _ in found)
    first = sorted(one["paint_ms"] for one in paint)[1]
    return [
        Figure("any plot of a long run, answer, median", typical, "ms", most=50, beside=beside),
        Figure("the whole run, answer, median", 1e3 * statistics.median(whole), "ms", most=50, beside=f"{samples / 1e6:.1f} M samples"),
        Figure("points of a line, most", max(points for _, points, _ in found), most=MOST_POINTS),
        Figure("first paint of a fresh browser", first / 1e3, "s", most=1.0, beside="median of three"),
        Figure("weight of the page", max(one["bytes"] for one in paint) / 1e3, "kB", most=250, beside="compressed, without samples"),
    ]


def ask(connection: http.client.HTTPConnection, name: str, from_ns: int, to_ns: int) -> tuple[float, int]:
    """Time of an answer (the middle of three), s, and its points."""
    span = {"from": stamp(from_ns), "to": stamp(to_ns), "points": POINTS, "device": name}
    path = "/api/samples?" + urllib.parse.urlencode([*span.items(), *(("channel", channel) for channel in PLOT)])
    took = []
    for _ in range(3):
        begun = time.perf_counter()
        connection.request("GET", path)
        body = connection.getresponse().read()
        took.append(time.perf_counter() - begun)
    return statistics.median(took), len(json.loads(body)["t_s"])


def stamp(t_utc_ns: int) -> str:
    """RFC 3339 to the microsecond."""
    return datetime.fromtimestamp(t_utc_ns / NS, UTC).isoformat()
