"""`protection` and `device_changed`: what the instrument itself reports.

`protection`: rule: one event per named bit of the ``protection`` word, active while the bit is set. Physical cause: the instrument's own
limits. Nothing is inferred, so there are no false alarms but the instrument's; a bit that the profile does not name is not reported.
Severity alarm, except undervoltage stops, the ordinary end of a discharge: warning.

`device_changed`: rule: another identity answers at this address than the one configured or first seen (validation's ``identity_changed``);
active until the right one answers. Physical cause: instruments swapped, two with one unit number. Confusion: a garbled identity text passes
the frame check once in 65,536 times at most.
Onset: from the last poll of that channel that did not show it to the first that does.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import ClassVar

from loadlog.detectors.base import NOTHING, Context, Stateless, bit_names, onset_between
from loadlog.model.device import DeviceSpec
from loadlog.model.event import Event, Finding, Severity
from loadlog.model.sample import Sample


def is_undervoltage(name: str) -> bool:
    """A protection that stops the load at a low input voltage, by the profile's name for it."""
    plain = name.replace("_", "").replace("-", "").replace(" ", "").lower()
    return "undervolt" in plain or plain == "uvp"


class Protection(Stateless):
    """The named bits of one device's protection word."""

    KINDS: ClassVar[tuple[str, ...]] = ("protection",)

    def __init__(self, device: DeviceSpec) -> None:
        self._device = device
        self._active: set[str] = set()
        self._word: int | None = None  # whose names are the active ones
        self._last: Sample | None = None

    def restore(self, event: Event) -> None:
        """The bit was set when the service stopped."""
        self._active.add(event.key)

    def update(self, sample: Sample, context: Context) -> Sequence[Finding]:
        """See the module."""
        word = sample.counts.get("protection")
        if word is None or "protection" in sample.bad:
            return NOTHING
        before, self._last = self._last, sample
        if word == self._word:
            return NOTHING
        self._word = word
        names = set(bit_names(self._device, "protection", word))
        if names == self._active:
            return NOTHING
        onset = onset_between(before, sample)
        findings = []
        for name in sorted(names ^ self._active):
            is_set = name in names
            text = f"{self._device.name}: protection {name.replace('_', ' ')} {'reported' if is_set else 'is over'}"
            severity = Severity.WARNING if is_undervoltage(name) else Severity.ALARM
            evidence = {"protection": name}
            findings.append(Finding("protection", self._device.name, severity, onset, text, key=name, clear=not is_set, evidence=evidence))
        self._active = names
        return findings


class DeviceChanged(Stateless):
    """Follows validation's verdict on the identity."""

    KINDS: ClassVar[tuple[str, ...]] = ("device_changed",)

    def __init__(self, device: DeviceSpec) -> None:
        self._device = device
        self._changed = False
        self._last: Sample | None = None

    def restore(self, event: Event) -> None:
        """Another instrument answered when the service stopped."""
        self._changed = True

    def update(self, sample: Sample, context: Context) -> Sequence[Finding]:
        """See the module."""
        if sample.failure is not None or not sample.counts:
            return NOTHING
        before, self._last = self._last, sample
        changed = bool(sample.bad) and "identity_changed" in sample.uncertain.values()
        if changed is self._changed:
            return NOTHING
        self._changed = changed
        name = self._device.name
        text = f"{name}: another instrument answers at this address" if changed else f"{name}: the right instrument answers again"
        evidence = {"identity": sample.detail} if changed and sample.detail else {}
        return (
            Finding("device_changed", name, Severity.ALARM, onset_between(before, sample), text, clear=not changed, evidence=evidence),
        )  # fmt: skip
