"""How a step is weighed: a sense lead, the source's voltage, or under a load in CV the source's current limit.

Hypotheses and what each predicts for the size x of the step (current I, measured with uncertainty s):

- *lead*: x = I·R_path. R_path is configured (15 %: contacts, and copper at 0.393 %/K over some 40 K), learned from an earlier step (8 %) or
  unknown: then log-normal around 8 mΩ with a factor e^1.5 of deviation (a bus bar of 0.4 mΩ and long thin leads of 160 mΩ are twice the
  deviation). A configured figure is given a 2 % chance to be wrong, then the unknown one holds, and a chance of `GROWN` that contacts have
  grown since it was measured: then the path has `GROWN_BY` of it more on average (exponential). In CV R_path/R_source takes the place of
  R_path; an unknown R_source is log-normal around 50 mΩ with a factor e^1.2.
- *source*: a step of the source may have any size, log-uniform from 1 mV to the voltage.
- *limit*, in CV alone and downward: the load holds the voltage, so a source that enters its limit, or whose limit falls, shows no more than
  less current, by any share of it alike. (In CC and CP its voltage collapses, in CR both fall by the same share: `trips`, `current_limit`.)

Where nobody looked for long within the onset there is a third: the source drifted meanwhile, as nearly every source does. In `FAULT_IN_GAP`
of such gaps a lead fell off or the source stepped; in all others it moved by a normal deviate of at most `drift_v`, of that which
fits best. Both figures are judgements.

The lead is given prior odds of 7:3: supplies at rest seldom step, leads that fall off do nothing but. In CV a third of the source's steps
are its limit's. With local sense no lead can fall off; a contact that grows worse at once, which looks the same in CV, is given odds of
1:4. These odds are a judgement, not a measurement. A device of the same group that measures the same source must show the source's step,
and must not show the lead's; each that does is a likelihood ratio of its own. A limit leaves the voltage where it was, as a source does
under a load in CV that steps; a supply that is polled says whether it limits.

In CV a *hand* (or another program) that sets another voltage makes such a step too, of -dV/R_source. The voltage must then have moved by a
count at least, and by R_source times the step, where its mean over the samples of the step lies beside the level by noise alone otherwise.
It is given odds of `PRIOR_HAND` to one against all else, and after an order of ours of `PRIOR_ORDERED`, before size and voltage are looked
at; its steps are of any size, as those of the source.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from loadlog.detectors.base import ORDER_SETTLE_S, Order, Peer, begin_ns, status_name, within
from loadlog.detectors.statistics import Moments
from loadlog.model.event import Onset
from loadlog.model.sample import Sample

LEAD, DROOP, LIMIT, CONTACT = "sense_fallback", "supply_droop", "current_limit_entered", "contact_heating"
HAND = "setpoint_changed"
PRIOR_LEAD = 0.7
PRIOR_CONTACT = 0.2  # of a step with local sense
PRIOR_LIMIT = 0.35  # of a source's steps under a load in CV
CONFIGURED_SHARE, LEARNED_SHARE = 0.15, 0.08
WRONG_CONFIGURATION = 0.02
GROWN, GROWN_BY = 0.1, 0.5  # judgements
UNKNOWN_OHM, UNKNOWN_LOG_DEVIATION = 0.008, 1.5
UNKNOWN_SOURCE_OHM, SOURCE_LOG_DEVIATION = 0.05, 1.2
SMALLEST_SOURCE_STEP_V = 1e-3
EXPLAINED_SHARE = 0.5  # of the step, that what another load changed makes at least
FAULT_IN_GAP = 0.02
DRIFT_SHARE, DRIFT_S = 1e-4, 100.0  # of the voltage in so long; it grows with the root of time
MOST_LOG_RATIO = 12.0  # no single witness is believed beyond this
PRIOR_HAND, PRIOR_ORDERED = 0.25, 100.0
RAISE_AT = 0.5
_ROOT_2PI = math.sqrt(2.0 * math.pi)
_GRID = 0.25  # of an unknown source's resistance, in its logarithmic deviations


@dataclass(frozen=True, slots=True)
class PathPrior:
    """What is known of R_path: ``ohm`` with relative ``deviation``, ``doubt`` that it is wrong, ``grown`` that it was right and contacts
    have grown since; None: nothing, then around ``typical``. In CV the same holds for R_path/R_source and steps of the current (A instead
    of V): then ``falls`` says that a lead that falls off is waited for, whose step x changes the current I with the lead off as well, so
    densities are those of x/I with d(x/I)/dx = (1 + x/I)/I."""

    ohm: float | None
    deviation: float = 0.0
    doubt: float = 0.0
    typical: float = UNKNOWN_OHM
    log_deviation: float = UNKNOWN_LOG_DEVIATION
    falls: bool = False
    grown: float = 0.0

    def density(self, x_v: float, uncertainty_v: float, current_a: float) -> float:
        """Probability density, 1/V, of a step of ``x_v`` > 0."""
        density = self._unknown(x_v, current_a)
        if self.ohm is not None:
            density = self._known(x_v, uncertainty_v, current_a) + self._grown(x_v, current_a) + self.doubt * density
        return density * (1.0 + x_v / current_a) if self.falls else density

    def fits(self, x_v: float, uncertainty_v: float, current_a: float) -> bool:
        """The step is explained by what is known of R_path, rather than by that being wrong."""
        otherwise = self.doubt * self._unknown(x_v, current_a) + self._grown(x_v, current_a)
        return self.ohm is not None and self._known(x_v, uncertainty_v, current_a) > otherwise

    def _known(self, x_v: float, uncertainty_v: float, current_a: float) -> float:
        expected_v = (self.ohm or 0.0) * current_a
        spread = math.hypot(uncertainty_v, self.deviation * expected_v)
        z = (x_v - expected_v) / spread
        return (1.0 - self.doubt - self.grown) * math.exp(-0.5 * z * z) / (spread * _ROOT_2PI)

    def _grown(self, x_v: float, current_a: float) -> float:
        expected_v = (self.ohm or 0.0) * current_a
        scale = GROWN_BY * expected_v
        return self.grown * math.exp((expected_v - x_v) / scale) / scale if x_v > expected_v > 0.0 else 0.0

    def _unknown(self, x_v: float, current_a: float) -> float:
        ratio = math.log(x_v / (current_a * self.typical)) / self.log_deviation
        return math.exp(-0.5 * ratio * ratio) / (x_v * self.log_deviation * _ROOT_2PI)


def path_prior(configured_ohm: float | None, learned_ohm: float | None, ratio_to: tuple[float | None, float] | None = None) -> PathPrior:
    """What is configured or, better, was learned. ``ratio_to``: in CV, the source's resistance (None: not known) and its uncertainty, Ω."""
    known, share, grown = (configured_ohm, CONFIGURED_SHARE, GROWN) if learned_ohm is None else (learned_ohm, LEARNED_SHARE, 0.0)
    if ratio_to is None:
        return PathPrior(known, share, WRONG_CONFIGURATION, grown=grown)
    source_ohm, uncertainty_ohm = ratio_to
    if known is None or source_ohm is None:
        typical = (known or UNKNOWN_OHM) / (source_ohm or UNKNOWN_SOURCE_OHM)
        of_path, of_source = UNKNOWN_LOG_DEVIATION if known is None else 0.0, SOURCE_LOG_DEVIATION if source_ohm is None else 0.0
        return PathPrior(None, share, WRONG_CONFIGURATION, typical, math.hypot(of_path, of_source), True)
    share = math.hypot(share, uncertainty_ohm / source_ohm)
    return PathPrior(known / source_ohm, share, WRONG_CONFIGURATION, UNKNOWN_OHM / source_ohm, falls=True, grown=grown)


@dataclass(frozen=True, slots=True)
class PeerStep:
    """What another device of the group saw: change of its voltage across the onset, with standard uncertainty, V."""

    name: str
    size_v: float
    uncertainty_v: float


Expected = Sequence[tuple[float, float, float]]  # (share, mean, deviation): normal distributions that add up to what is expected
NOTHING_SEEN: Expected = ((1.0, 0.0, 0.0),)


def source_resistances(ohm: float | None, uncertainty_ohm: float) -> Expected:
    """Of the source, Ω: as it is known, or log-normal as it is expected otherwise."""
    return _UNKNOWN_SOURCE if ohm is None else ((1.0, ohm, uncertainty_ohm),)


def _unknown_source() -> Expected:
    steps = [_GRID * n for n in range(-8, 9)]
    whole = math.fsum(math.exp(-0.5 * z * z) for z in steps)
    middles = [(math.exp(-0.5 * z * z) / whole, UNKNOWN_SOURCE_OHM * math.exp(SOURCE_LOG_DEVIATION * z)) for z in steps]
    return tuple((share, ohm, 0.5 * _GRID * SOURCE_LOG_DEVIATION * ohm) for share, ohm in middles)


_UNKNOWN_SOURCE = _unknown_source()


def log_evidence(x: float, spread: float, expected: Expected) -> float:
    """Log of the likelihood of ``x``, measured with deviation ``spread``, over that if it were nothing but that. What is ``expected`` goes
    one way: a value on the other side is none of it."""
    terms = []
    for share, mean, deviation in expected:
        wide = math.hypot(spread, deviation) if x * mean > 0.0 else spread
        z, z_of_nothing = (x - mean) / wide, x / spread
        terms.append(0.5 * (z_of_nothing * z_of_nothing - z * z) + math.log(share * spread / wide))
    most = max(terms)
    return most + math.log(math.fsum(math.exp(term - most) for term in terms))


@dataclass(frozen=True, slots=True)
class AtSource:
    """By how much the source's own voltage changes if the lead did it (`Expected`, V), and if the source did."""

    lead_v: Expected
    source_v: float

    def log_ratio(self, peer: PeerStep, uncertainty_v: float) -> float:
        """Of the lead against the source, from what another device saw."""
        spread = math.hypot(peer.uncertainty_v, uncertainty_v)
        source = (peer.size_v - self.source_v) / spread
        lead = log_evidence(peer.size_v, spread, self.lead_v) if any(mean for _, mean, _ in self.lead_v) else 0.0
        nothing = peer.size_v / spread
        return _bounded(lead + 0.5 * (source * source - nothing * nothing))


def probability_of_lead(
    x_v: float, uncertainty_v: float, current_a: float, voltage_v: float, prior: PathPrior, peers: Iterable[PeerStep],
    at_source: AtSource | None = None, spread_v: float | None = None, drift: float = 0.0,
) -> float:  # fmt: skip
    """Posterior probability that the step of size ``x_v`` (positive towards what the lead would do) is the lead's. In CV ``x_v`` and its
    uncertainty are currents, ``voltage_v`` is the largest current that may be, and ``spread_v`` the uncertainty of our own voltage.
    ``drift``: by how much (one deviation) the source may have drifted unseen, 0 where somebody looked."""
    lead = max(prior.density(x_v, uncertainty_v, current_a), 1e-300)
    source = source_density(x_v, voltage_v)
    if drift > 0.0:
        spread = math.hypot(min(drift, x_v), uncertainty_v)
        unseen = math.exp(-0.5 * (x_v / spread) ** 2) / (spread * _ROOT_2PI)
        source += (1.0 - FAULT_IN_GAP) / FAULT_IN_GAP * unseen / (1.0 - PRIOR_LEAD)
    log_odds = math.log(PRIOR_LEAD / (1.0 - PRIOR_LEAD)) + _bounded(math.log(lead / source))
    expected = at_source or AtSource(NOTHING_SEEN, -x_v)
    for peer in peers:
        log_odds += expected.log_ratio(peer, uncertainty_v if spread_v is None else spread_v)
    return 1.0 / (1.0 + math.exp(-log_odds))


def weigh_limit(of_lead: float, x_a: float, current_a: float, is_wired: bool, limits: bool | None) -> dict[str, float]:
    """Probabilities of the causes of a current that fell by ``x_a`` from ``current_a`` under a load in CV. ``of_lead``: as
    `probability_of_lead` has it; ``is_wired``: for remote sense. ``limits``: what a supply that is polled says of itself, None where none
    is."""
    lead = of_lead / max(1.0 - of_lead, 1e-12)  # over the source's steps of any size
    if not is_wired:
        lead *= PRIOR_CONTACT / (1.0 - PRIOR_CONTACT) * (1.0 - PRIOR_LEAD) / PRIOR_LEAD
    limit = PRIOR_LIMIT * _share_density(x_a, current_a) / source_density(x_a, current_a)
    if limits is not None:
        limit *= math.exp(MOST_LOG_RATIO if limits else -MOST_LOG_RATIO)
    droop = 1.0 - PRIOR_LIMIT
    whole = lead + limit + droop
    return {LEAD if is_wired else CONTACT: lead / whole, LIMIT: limit / whole, DROOP: droop / whole}


def odds_of_hand(moved_v: float, spread_v: float, step_a: float, count_v: float, resistances: Expected, prior: float) -> float:
    """That another voltage was set against all else, when the current of a load in CV stepped by ``step_a`` and its voltage moved by
    ``moved_v``, measured with ``spread_v``. ``prior``: those odds before the voltage was looked at."""
    size_a = abs(step_a)
    expected = [(share, max(count_v, ohm * size_a), deviation * size_a) for share, ohm, deviation in resistances]
    towards = -moved_v if step_a > 0.0 else moved_v
    return prior * math.exp(min(log_evidence(towards, spread_v, expected), 100.0))


def in_doubt(causes: Mapping[str, float], real: float, hand: float) -> dict[str, float]:
    """``causes`` of a step that was one with probability ``real``, and a hand's with odds of ``hand``."""
    out = {cause: p * real / (1.0 + hand) for cause, p in causes.items()}
    out[DROOP] += (1.0 - real) / (1.0 + hand)
    return out | {HAND: hand / (1.0 + hand)} if hand else out


def is_raised(causes: Mapping[str, float]) -> bool:
    """Lead and limit together are likelier than not; and no contact is likelier than the limit."""
    here = math.fsum(p for cause, p in causes.items() if cause not in (DROOP, HAND))
    return here >= RAISE_AT and causes.get(CONTACT, 0.0) <= causes.get(LIMIT, 0.0)


def _share_density(x_a: float, current_a: float) -> float:
    """1/A, of a limit that leaves any share of the current alike."""
    return 1.0 / max(current_a, x_a)


def supply_limits(peers: Mapping[str, Peer], onset: Onset) -> bool | None:
    """What a supply of the group says of itself since the onset: it limits its current, or it does not; None where none has said."""
    for peer in peers.values():
        last = peer.last
        if peer.device.role == "supply" and last is not None and last.failure is None and begin_ns(last) >= onset.latest_utc_ns:
            mode = None if "mode" in last.held else status_name(peer.device, last, "mode")
            if mode in ("cc", "cv"):
                return mode == "cc"
    return None


def drift_v(voltage_v: float, slope_v_per_s: float, gap_s: float) -> float:
    """Deviation of what a source may have drifted by while nobody looked: the usual, and as much as it was moving before."""
    return math.hypot(DRIFT_SHARE * abs(voltage_v) * math.sqrt(gap_s / DRIFT_S), slope_v_per_s * gap_s)


def source_density(x_v: float, voltage_v: float) -> float:
    """Probability density, 1/V, of a step of the source of ``x_v`` > 0."""
    span = math.log(max(abs(voltage_v), 2.0 * SMALLEST_SOURCE_STEP_V) / SMALLEST_SOURCE_STEP_V)
    return 1.0 / (x_v * span)


def _bounded(log_ratio: float) -> float:
    return min(max(log_ratio, -MOST_LOG_RATIO), MOST_LOG_RATIO)


def peer_steps(peers: Mapping[str, Peer], onset: Onset, until_ns: int) -> list[PeerStep]:
    """What the others saw of their voltage across the onset, up to ``until_ns``, when we had seen enough; those without two samples before
    and one after, or whose current changed, say nothing."""
    seen = []
    for name, peer in peers.items():
        step = _peer_step(name, peer, onset, until_ns)
        if step is not None:
            seen.append(step)
    return seen


def moved_by_others(peers: Mapping[str, Peer], step_v: float, onset: Onset, until_ns: int, ohm: float, own_a: float = 0.0) -> bool:
    """Another load of the group changed its current across the onset, enough to make this step through ``ohm`` of the common source; in CV
    the step is a current, and ``ohm`` 1. A supply that is polled shows what all of its loads changed; ``own_a`` of it is ours.
    ``until_ns`` as in `peer_steps`."""
    for peer in peers.values():
        if peer.device.channel("current_a") is None:
            continue
        before, after = _around(peer, "current_a", onset, until_ns, slack=True)
        if before and after:
            change_a = math.fsum(after) / len(after) - math.fsum(before) / len(before)
            if peer.device.role == "supply":
                change_a -= own_a
            if _makes(change_a, step_v, ohm):
                return True
    return False


def _makes(change_a: float, step_v: float, ohm: float) -> bool:
    return change_a * step_v < 0.0 and abs(change_a) * ohm >= EXPLAINED_SHARE * abs(step_v)


def orders_beside(peers: Mapping[str, Peer], onset: Onset) -> list[tuple[Peer, Order]]:
    """Orders of ours to other loads of the group, or to its supplies, that may still have been taking effect. Instruments renew their
    readings at phases of their own: the common source may show such a step here before the other device's own reading does, or after it."""
    after_ns = onset.earliest_utc_ns - int(ORDER_SETTLE_S * 1e9)
    ordered = (peer for peer in peers.values() if peer.orders and peer.device.role in ("load", "supply"))
    return [(peer, order) for peer in ordered for order in within(peer.orders, after_ns, onset.latest_utc_ns)]


def have_settled(beside: Sequence[tuple[Peer, Order]], last: Sample | None) -> bool:
    """By our ``last`` sample every one has taken effect, or never will."""
    return last is None or all(begin_ns(last) >= order.t_utc_ns + int(ORDER_SETTLE_S * 1e9) for _, order in beside)


def moved_by_orders(beside: Sequence[tuple[Peer, Order]], step_v: float, ohm: float) -> bool:
    """As `moved_by_others`, by what was ordered and has been seen by now: from the current before the order to the present one. What was
    ordered of a supply moves the voltage itself."""
    return any(
        peer.device.role == "supply"
        or (order.drawn_a is not None and (now_a := peer.drawn_a) is not None and _makes(now_a - order.drawn_a, step_v, ohm))
        for peer, order in beside
    )


def _peer_step(name: str, peer: Peer, onset: Onset, until_ns: int) -> PeerStep | None:
    spec = peer.device.channel("voltage_v")
    if spec is None:
        return None
    before, after = _around(peer, "voltage_v", onset, until_ns)
    if len(before) < 2 or not after:
        return None
    currents = _around(peer, "current_a", onset, until_ns)
    if all(currents) and peer.device.role != "supply":  # its current is ours
        middle = math.fsum(currents[0]) / len(currents[0])
        if max(abs(c - middle) for c in currents[1]) > 0.02 * abs(middle) + 0.02:
            return None
    usual = Moments()
    for value in before:
        usual.update(value)
    shares = (1.0 / len(before), 1.0 / len(after))
    rounding = spec.resolution**2 / 12.0
    # of rounding noise a mean loses only what the noise dithers (`StepChart`): counts that do not move hide up to half of one
    stays = math.exp(-3.2898681 * usual.variance / rounding) if rounding > 0.0 else 0.0
    variance = usual.variance * math.fsum(shares) + rounding * math.fsum(min(share + stays, 1.0) for share in shares)
    return PeerStep(name, math.fsum(after) / len(after) - usual.mean, math.sqrt(variance))


def _around(peer: Peer, channel: str, onset: Onset, until_ns: int, slack: bool = False) -> tuple[list[float], list[float]]:
    """Values of the last eight samples that ended before the onset, and of those that began after it up to ``until_ns``, but one at least:
    what happens later is another matter. ``slack``: a period away from it on either side, as another device's interval can begin later than
    the step did."""
    away = round(peer.device.period_s * 1e9) if slack else 0
    before: list[float] = []
    after: list[float] = []
    for seen in peer.recent:
        value = seen.voltage_v if channel == "voltage_v" else seen.current_a
        if value is None:
            continue
        if seen.end_ns <= onset.earliest_utc_ns - away:
            before.append(value)
        elif seen.begin_ns >= onset.latest_utc_ns and (not after or seen.end_ns <= until_ns):
            after.append(value)
    return before[-8:], after
