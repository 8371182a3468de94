"""What people write first, for comparison: a plain loop of five small reads with a common Modbus client, as its documentation shows.

    python -m tests.bench.naive pymodbus|minimalmodbus PORT BAUD UNITS SECONDS

Prints JSON: polls (five reads each) and seconds.
"""

from __future__ import annotations

import json
import sys
import time
from collections.abc import Callable

READS = tuple((2 * i, 2) for i in range(5))  # together the ten registers that the engine reads at once


def pymodbus_poll(port: str, baud: int) -> Callable[[int], bool]:
    from pymodbus.client import ModbusSerialClient

    client = ModbusSerialClient(port, baudrate=baud, timeout=1)
    client.connect()

    def poll(unit: int) -> bool:
        answers = [client.read_holding_registers(address, count=count, device_id=unit) for address, count in READS]
        return not any(answer.isError() for answer in answers)

    return poll


def minimalmodbus_poll(port: str, baud: int) -> Callable[[int], bool]:
    import minimalmodbus

    units: dict[int, minimalmodbus.Instrument] = {}

    def poll(unit: int) -> bool:
        if unit not in units:
            units[unit] = minimalmodbus.Instrument(port, unit)
            units[unit].serial.baudrate = baud
            units[unit].serial.timeout = 1
        for address, count in READS:
            units[unit].read_registers(address, count)
        return True

    return poll


def main(which: str, port: str, baud: int, units: int, seconds: float) -> None:
    poll = {"pymodbus": pymodbus_poll, "minimalmodbus": minimalmodbus_poll}[which](port, baud)
    poll(1)
    begun_s = time.monotonic()
    polls = failed = 0
    while time.monotonic() - begun_s < seconds:
        try:
            good = poll(1 + (polls + failed) % units)
        except OSError:
            good = False
        polls += good
        failed += not good
    print(json.dumps({"polls": polls, "failed": failed, "span_s": time.monotonic() - begun_s}))


if __name__ == "__main__":
    main(sys.argv[1], sys.argv[2], int(sys.argv[3]), int(sys.argv[4]), float(sys.argv[5]))
