"""Why a channel is not good: the complete table, with the quality that each reason gives and a line for people.

The names are stable: they stand in samples, in the store and in the API. Quality per OPC UA Part 8 (good, uncertain, bad).
"""

from __future__ import annotations

from dataclasses import dataclass

from loadlog.model.sample import Quality


@dataclass(frozen=True, slots=True)
class Reason:
    """``quality`` is UNCERTAIN (the value may be used with care) or BAD (the value is not the measurand); ``text`` is for people."""

    quality: Quality
    text: str


_BAD, _UNCERTAIN = Quality.BAD, Quality.UNCERTAIN

REASONS: dict[str, Reason] = {
    "undecodable": Reason(_BAD, "the reply's content is not a value of the channel's type"),
    "not_a_number": Reason(_BAD, "the instrument answered not-a-number or an infinity"),
    "sentinel": Reason(_BAD, "the instrument says that it has no value, e.g. an open thermocouple"),
    "impossible": Reason(_BAD, "the value is outside of what is physically possible"),
    "identity_changed": Reason(_BAD, "another instrument answers at this address"),
    "beyond_rating": Reason(_UNCERTAIN, "the value is outside the rating by more than the accuracy; the accuracy is not specified there"),
    "power_mismatch": Reason(_UNCERTAIN, "power differs from voltage times current by more than the accuracies allow"),
    "frozen": Reason(_UNCERTAIN, "identical counts for longer than the channel's noise makes credible"),
    "possible_spike": Reason(_UNCERTAIN, "departs suddenly, and nothing else explains it; the next sample tells a spike from a step"),
    "too_fast": Reason(_UNCERTAIN, "changes faster than the measurand can"),
    "stale": Reason(_UNCERTAIN, "the last reading is older than twice the time in which the channel is due"),
    "off_setpoint": Reason(_UNCERTAIN, "the reading departs from this set-point by more than the accuracies allow"),
    "unknown_code": Reason(_UNCERTAIN, "a number that the profile gives no name to"),
    "no_value_yet": Reason(_UNCERTAIN, "the channel was not read yet"),
}
