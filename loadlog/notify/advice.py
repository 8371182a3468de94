"""What somebody who is woken by a notice does first, one line a kind. It orders nothing that a logger cannot judge: whether a bench may
stay under load is decided by who knows it, and hands stay off hot or live parts until all is switched off."""

from __future__ import annotations

from loadlog.notify.watch import GONE, STALLED, UNREADABLE, UNWRITTEN

ADVICE: dict[str, str] = {
    "sense_fallback": "voltage and power are now those at the load, lower by the drop of the leads; check the sense leads at both ends",
    "sense_restored": "nothing; judge what was read in between with care",
    "sense_intermittent": "check the sense leads and their clamps; do not trust the readings in between",
    "load_trip": "the test stands still; read the reason off the load's display before it is switched on again",
    "supply_trip": "read the reason off the supply's display; do not switch it on again before the cause is known",
    "open_circuit": "switch source and load off before touching the leads; then look for a loose or burnt one",
    "limit": "see on the page whether the value still moves away from the limit; switch off what must not go further",
    "over_temperature": "switch the load off if it gets warmer still; then check fan, dust and air inlet",
    "temperature_rising": "lower the load, or have somebody at the bench before the limit is reached",
    "cooling_degraded": "check fan, dust and air inlet; a lower load is cooler at once",
    "contact_heating": "a contact may be burning: lower the current or switch off; open and clean it when all is cold",
    "setpoint_changed": "ask who was at the load; if nobody was, have it looked at",
    "mode_changed": "ask who was at the load; if nobody was, have it looked at",
    "input_switched": "ask who was at the load; if nobody was, have it looked at",
    "protection": "the load may have switched off: read its display before it is switched on again",
    "current_limit_entered": "lower the load, or check the source's current limit: its voltage is not regulated any more",
    "cutoff_reached": "see that no current flows any more: a battery that is discharged further is damaged",
    "sharing_imbalance": "compare the currents on the page; check set-points and leads of the device that parts from the others",
    "drift": "compare with the temperature in the review; nothing has to be done at once",
    "noise_changed": "look for a loose contact or another consumer; nothing has to be done at once",
    "communication_lost": "the device goes on unwatched: check its power, plug and adapter, or have it switched off",
    "communication_restored": "nothing; the review says what was missed",
    "device_changed": "check addresses and plugs: readings may be those of another instrument",
    "reading_frozen": "the instrument may hang: compare with its display, and do not rely on what it says",
    "reading_implausible": "do not rely on the reading: compare with the instrument's display",
    "clock_step": "check the time service of the logger; samples keep their order",
    "sample_gap": "nothing to be done: what is missing stays missing; see why in the log of the recorder",
    "late_polls": "look for another program that keeps the machine or the bus busy, or poll more slowly",
    "store_trouble": "make room or mend the disk soon: samples wait in memory, and are lost when it is full",
    "disk_low": "make room: `loadlog store prune --dry-run` says what may go",
    "forward_backlog": "check network and database; nothing is lost, the recordings keep what waits",
    "forward_refused": "check token, bucket and address: `loadlog forward status` says what was refused and why",
    "notify_failed": "check the address: `loadlog notify status` says why; until then nobody is told there",
    "action_failed": "switch the load off by hand, at once: it was to be off and is not",
    "action_taken": "see that no current flows; find the cause before it is switched on again",
    GONE: "check the logger's power and network, then `loadlog serve` or its service; the bench goes on unwatched until then",
    STALLED: "check adapters and cables, then the log of the recorder; the bench goes on unwatched until then",
    UNWRITTEN: "make room or mend the disk soon: samples and events wait in memory, and are lost when it is full",
    UNREADABLE: "check disk and permissions: `loadlog store verify`; look at the bench yourself until then",
}
