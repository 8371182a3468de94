"""Readings to lay beside reference readings: from the recording while the service polls, else by polling the instrument now.

The port belongs to the recorder while it runs, so a running service is never disturbed: its latest samples are taken. All readings are
means over several polls with their scatter.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from loadlog.analysis import Moments, chunks_of_samples
from loadlog.analysis.accuracy import Reference, Taken, channel_of
from loadlog.bringup.read import DeviceRead, read_device
from loadlog.bus import SystemClock, open_link
from loadlog.loading import Bench
from loadlog.model.clock import NS, format_utc
from loadlog.model.device import DeviceSpec
from loadlog.model.errors import StoreError, UsageError
from loadlog.model.quantity import standard_uncertainty
from loadlog.store import Archive

TEMPERATURE = "temperature_c"
FRESH_S, FRESH_PERIODS = 5.0, 5.0


class Instruments:
    """Takes readings of the bench's devices.

    ``seconds``: how much of a recording a reading is the mean of; ``polls``: how many live polls.
    """

    def __init__(self, bench: Bench, seconds: float = 10.0, polls: int = 5) -> None:
        self._bench, self._seconds, self._polls = bench, seconds, polls
        self._archive = Archive(bench.data_dir)
        self._clock = SystemClock()

    def take(self, device: str, channels: Sequence[str], at_utc_ns: int | None = None) -> dict[str, Taken]:
        """Channel -> reading of now, or from the recordings about ``at_utc_ns``.

        Raises:
            UsageError: nothing good was recorded at that time.
            BusError, DeviceError: the instrument cannot be polled.
        """
        spec = self._bench.devices[device]
        if at_utc_ns is not None:
            half_ns = round(self._seconds * NS / 2)
            return self._recorded(spec, channels, at_utc_ns - half_ns, at_utc_ns + half_ns)
        now_ns = self._clock.utc_ns()
        if self._is_polled(spec, now_ns):
            return self._recorded(spec, channels, now_ns - round(self._seconds * NS), now_ns + NS)
        return self._live(device, channels)

    def _is_polled(self, spec: DeviceSpec, now_ns: int) -> bool:
        try:
            latest = self._archive.latest(spec.name)
        except StoreError:
            return False  # nothing was recorded here yet
        fresh_ns = round(max(FRESH_S, FRESH_PERIODS * spec.period_s) * NS)
        return latest is not None and now_ns - latest.sample.stamp.t_utc_ns < fresh_ns

    def _recorded(self, spec: DeviceSpec, channels: Sequence[str], from_ns: int, to_ns: int) -> dict[str, Taken]:
        wanted = [c for c in (*channels, TEMPERATURE) if spec.channel(c) is not None]
        moments = {c: Moments() for c in wanted}
        for chunk in chunks_of_samples(self._archive.samples(spec.name, from_ns, to_ns), wanted):
            for channel, sums in moments.items():
                sums.add(chunk.values(channel)[chunk.good(channel)])
        temperature = moments[TEMPERATURE].mean if TEMPERATURE in moments and moments[TEMPERATURE].n else None
        out = {}
        for channel in channels:
            sums = moments[channel]
            if not sums.n:
                span = f"{format_utc(from_ns)[:19]} .. {format_utc(to_ns)[:19]}"
                raise UsageError(f"no good reading of {channel} was recorded in {span}", where=spec.name)
            out[channel] = Taken((from_ns + to_ns) // 2, sums.mean, sums.n, sums.deviation or 0.0, temperature)
        return out

    def _live(self, device: str, channels: Sequence[str]) -> dict[str, Taken]:
        reads = [self._poll(device) for _ in range(self._polls)]
        moments = {c: Moments() for c in (*channels, TEMPERATURE)}
        for read in reads:
            for c in read.channels:
                if c.name in moments and c.value is not None and c.quality == "good":
                    moments[c.name].merge(1, c.value, 0.0, c.value, c.value)
        temperature = moments[TEMPERATURE].mean if moments[TEMPERATURE].n else None
        for channel in channels:
            if not moments[channel].n:
                raise UsageError(f"none of {self._polls} polls gave a good {channel}", where=device)
        t_utc_ns = reads[len(reads) // 2].t_utc_ns
        return {
            c: Taken(t_utc_ns, moments[c].mean, moments[c].n, moments[c].deviation or 0.0, temperature) for c in channels
        }  # fmt: skip

    def _poll(self, name: str) -> DeviceRead:
        bench = self._bench
        device, bus = bench.configured(name)
        return read_device(bus, device, bench.devices[name], bench.profile_of(device), open_link(bus, self._clock), self._clock)

    def against(self, device: str, meter: str, channels: Sequence[str], condition: str) -> list[tuple[Reference, Taken]]:
        """Readings of ``device`` with those of another polled instrument as reference, its uncertainty from its own specification.

        Raises:
            UsageError: the meter is the device itself, or they share no channel with a specification.
        """
        spec, other = self._bench.devices[device], self._bench.devices[meter]
        if device == meter:
            raise UsageError(f"{device} cannot be its own reference")
        names = [channel_of(spec, c).name for c in channels] or self._shared(spec, other)
        for name in names:
            if other.channel(name) is None:
                raise UsageError(f"{meter} does not measure {name}", where=f"accuracy of {device}")
            channel_of(other, name)
        read, reference = self.take(device, names), self.take(meter, names)
        return [(self._reference(other, n, reference[n], condition), read[n]) for n in names]

    def _shared(self, spec: DeviceSpec, other: DeviceSpec) -> list[str]:
        mine = {c.name for c in spec.channels if c.kind == "number" and c.accuracy is not None}
        names = [c.name for c in other.channels if c.name in mine and c.accuracy is not None]
        if not names:
            raise UsageError(f"{spec.name} and {other.name} share no channel whose accuracy both profiles give")
        return names

    @staticmethod
    def _reference(meter: DeviceSpec, name: str, taken: Taken, condition: str) -> Reference:
        channel = channel_of(meter, name)
        u = standard_uncertainty(taken.mean, channel.accuracy, channel.resolution)
        u = math.hypot(u, taken.scatter / math.sqrt(taken.readings))
        return Reference(name, taken.mean, u_reference=u, condition=condition, source=f"{meter.name} ({meter.profile_name})")
