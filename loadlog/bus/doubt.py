"""Which answers may still be under way, and the question that tells.

Holding the line for one more time-out keeps apart what an instrument answers soon enough. One that is later still would answer the next
request with the values of an earlier one: same unit, function and length, nothing in it shows. But an instrument answers in turn. So after
a read that was not seen to be answered, before a read whose answer would look the same, one is asked whose answer must look different: the
same address, another count. Once that one is answered, or refused, every earlier answer has come or will never come. Its values are not
used. A doubt ends by itself after ten time-outs.

Length is then the only mark, so it is worth nothing with an instrument that was seen to answer with a length that nobody asked for: its
late answer to an earlier request may look like the one to the question. Such a unit is distrusted for `DISTRUST_S`: while it may owe an
answer it is not asked at all, until ten time-outs have shown that nothing more comes. What remains is an instrument whose first two answers
ever of a wrong length are both late, one behind the other, and each by chance of the very length that passes.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from loadlog.bus.pdu import Exchange, exchange
from loadlog.model.clock import NS
from loadlog.model.wire import MAX_READ_BITS, MAX_READ_REGISTERS, READ_COILS, READ_DISCRETE, ModbusRead

LASTS_TIMEOUTS = 10
DISTRUST_S = 3600.0
_HIGHEST = 0xFFFF


@dataclass(slots=True)
class _Doubt:
    owed: list[int]  # sizes of the answers that may still come, oldest first; not their function, which some instruments get wrong
    until_ns: int
    refused: bool = False


class Doubts:
    """Per unit of one line."""

    def __init__(self) -> None:
        self._of_unit: dict[int, _Doubt] = {}
        self._distrusted_until_ns: dict[int, int] = {}

    def concern(self, unit: int) -> bool:
        """True while ``unit`` may owe an answer."""
        return unit in self._of_unit

    def heard(self, call: Exchange, sizes: Iterable[int], now_ns: int) -> None:
        """Answers of the unit of ``call`` came, of these lengths of PDU, and none was taken."""
        doubt = self._of_unit.get(call.unit)
        asked = {call.reply_bytes, *(doubt.owed if doubt else ())}
        if not asked.issuperset(sizes):
            self._distrusted_until_ns[call.unit] = now_ns + round(DISTRUST_S * NS)

    def must_rest(self, unit: int, now_ns: int) -> bool:
        """True while ``unit`` is not to be asked, because nothing would tell its late answers apart."""
        if not self._of_unit or not self._distrusted_until_ns:
            return False
        doubt = self._of_unit.get(unit)
        return doubt is not None and now_ns <= min(doubt.until_ns, self._distrusted_until_ns.get(unit, 0))

    def owes(self, call: Exchange, until_ns: int) -> None:
        """The answer to ``call`` was not seen."""
        if not isinstance(call.request, ModbusRead):
            return  # the answer to a write names its address
        doubt = self._of_unit.setdefault(call.unit, _Doubt([], 0))
        doubt.owed.append(call.reply_bytes)
        doubt.until_ns = max(doubt.until_ns, until_ns)
        doubt.refused = False

    def answered(self, unit: int) -> None:
        """``unit`` gave the answer to the last request: it owes none."""
        self._of_unit.pop(unit, None)

    def refused(self, unit: int) -> None:
        """An exception response came. It does not say to which request it belongs: the oldest owed is settled, the others not surely."""
        doubt = self._of_unit.get(unit)
        if doubt is None:
            return
        del doubt.owed[:1]
        doubt.refused = True
        if not doubt.owed:
            del self._of_unit[unit]

    def probe(self, call: Exchange, now_ns: int) -> Exchange | None:
        """What to ask before ``call``; None when its answer cannot be mistaken for one that is owed."""
        doubt = self._of_unit.get(call.unit)
        if doubt is None or not isinstance(call.request, ModbusRead):
            return None
        if now_ns > doubt.until_ns:
            self.answered(call.unit)
            return None
        if doubt.refused and call.reply_bytes not in doubt.owed:
            return None
        taken = {call.reply_bytes, *doubt.owed}
        return next((candidate for candidate in _candidates(call) if candidate.reply_bytes not in taken), None)


def _candidates(call: Exchange) -> list[Exchange]:
    """Reads from the same address with other lengths of answer, the shorter ones first: they stay inside what is known to exist."""
    request = call.request
    assert isinstance(request, ModbusRead)
    is_bits = request.function in (READ_COILS, READ_DISCRETE)
    step, most = (8, MAX_READ_BITS) if is_bits else (1, MAX_READ_REGISTERS)
    counts = [*range(request.count - step, 0, -step), *range(request.count + step, most + 1, step)]
    fitting = [count for count in counts[:16] if request.address + count - 1 <= _HIGHEST]
    return [exchange(call.unit, ModbusRead(request.function, request.address, count)) for count in fitting]
