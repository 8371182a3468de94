"""The orders that the control socket takes, each a method that checks its fields and answers, or refuses with the reason.

Orders run on the recorder's main thread, between samples, so they see one consistent state.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, Protocol

from loadlog.config import NAME, PlanConfig, nearest
from loadlog.config.section import NAME_WORDS
from loadlog.model.duration import LONGEST_S
from loadlog.model.errors import RefusedError, UsageError
from loadlog.model.event import REPORTED_KINDS, Event
from loadlog.model.run import RunInfo

MAX_TEXT = 4000


class RecorderState(Protocol):
    """What the orders need of the recorder."""

    device_names: tuple[str, ...]
    plans: Mapping[str, PlanConfig]

    def start_run(self, name: str, devices: tuple[str, ...], planned_s: float, keep: bool) -> RunInfo: ...
    def stop_run(self, run_id: str, reason: str) -> None: ...
    def add_note(self, run_id: str | None, author: str, text: str) -> None: ...
    def acknowledge(self, event_id: int, by: str, note: str) -> Event: ...
    def watch(self) -> None: ...
    def reload(self) -> None: ...
    def report(self, kind: str, key: str, message: str, active: bool) -> None: ...
    def running(self) -> list[RunInfo]: ...
    def status(self) -> dict[str, Any]: ...
    def configuration(self) -> str: ...


class Orders:
    """Order name -> what it does. Unknown orders and fields are refused with the nearest known one."""

    def __init__(self, recorder: RecorderState) -> None:
        self._recorder = recorder
        self._known: dict[str, tuple[Callable[..., dict[str, Any]], frozenset[str]]] = {
            "status": (self._status, frozenset()),
            "configuration": (self._configuration, frozenset()),
            "run_start": (self._run_start, frozenset({"name", "devices", "duration_s", "keep"})),
            "run_stop": (self._run_stop, frozenset({"run", "reason"})),
            "note": (self._note, frozenset({"run", "text", "author"})),
            "ack": (self._ack, frozenset({"id", "by", "note"})),
            "watch": (self._watch, frozenset()),
            "reload": (self._reload, frozenset()),
            "report": (self._report, frozenset({"kind", "key", "message", "active"})),
        }

    def carry_out(self, order: str, fields: dict[str, Any]) -> dict[str, Any]:
        """The answer's fields.

        Raises:
            UsageError: unknown order or field, or a field that does not fit.
            RefusedError: understood, and refused.
        """
        if order not in self._known:
            raise UsageError(f"there is no order {order!r}{nearest(order, self._known)}")
        method, allowed = self._known[order]
        for key in fields:
            if key not in allowed:
                raise UsageError(f"order {order}: unknown field {key!r}{nearest(key, allowed)}")
        return method(**fields)

    def _status(self) -> dict[str, Any]:
        return self._recorder.status()

    def _configuration(self) -> dict[str, Any]:
        return {"text": self._recorder.configuration()}

    def _run_start(self, name: str = "", devices: Any = None, duration_s: Any = 0, keep: Any = False) -> dict[str, Any]:
        if not isinstance(name, str) or not NAME.fullmatch(name):
            raise UsageError(f"name: {name!r} is no run name: it is of {NAME_WORDS}")
        plan = self._recorder.plans.get(name)
        if plan is not None and devices is None and not duration_s:  # what is not said comes from the plan of that name
            devices, duration_s, keep = list(plan.devices), plan.duration_s, keep or plan.keep
        wanted = list(self._recorder.device_names) if devices is None else devices
        if not isinstance(wanted, list) or not wanted or len(set(map(str, wanted))) != len(wanted):
            raise UsageError("devices: a list of device names, each once")
        for device in wanted:
            if device not in self._recorder.device_names:
                raise UsageError(f"devices: there is no device {device!r}{nearest(str(device), self._recorder.device_names)}")
        if isinstance(duration_s, bool) or not isinstance(duration_s, int | float) or not 0 <= duration_s <= LONGEST_S:
            raise UsageError(f"duration_s: {duration_s!r} is no number of seconds from 0 (open end) to ten years")
        if not isinstance(keep, bool):
            raise UsageError("keep: true or false")
        run = self._recorder.start_run(name, tuple(wanted), float(duration_s), keep)
        return {"run": run.id, "devices": list(run.devices), "started_utc_ns": run.started_utc_ns}

    def _run_stop(self, run: Any = None, reason: Any = "stopped by order") -> dict[str, Any]:
        run_id = self._running_run(run)
        self._recorder.stop_run(run_id, _text("reason", reason, 200))
        return {"run": run_id}

    def _note(self, text: Any = "", run: Any = None, author: Any = "") -> dict[str, Any]:
        words = _text("text", text, MAX_TEXT)
        if not words.strip():
            raise UsageError("text: a note needs words")
        run_id = None if run is None else self._running_run(run)
        self._recorder.add_note(run_id, _text("author", author, 100), words)
        return {"run": run_id}

    def _ack(self, id: Any = None, by: Any = "", note: Any = "") -> dict[str, Any]:
        if isinstance(id, bool) or not isinstance(id, int):
            raise UsageError(f"id: {id!r} is no event number")
        return {"event": self._recorder.acknowledge(id, _text("by", by, 100), _text("note", note, MAX_TEXT)).to_json()}

    def _watch(self) -> dict[str, Any]:
        self._recorder.watch()
        return {}

    def _reload(self) -> dict[str, Any]:
        running = self._recorder.running()
        if running:
            names = ", ".join(r.id for r in running)
            raise RefusedError(f"the configuration is not read again while a run is on ({names})", hint="stop the run first")
        self._recorder.reload()
        return {}

    def _report(self, kind: Any = "", key: Any = "", message: Any = "", active: Any = True) -> dict[str, Any]:
        if kind not in REPORTED_KINDS:
            raise UsageError(f"kind: {kind!r} is none of {', '.join(REPORTED_KINDS)}")
        if not isinstance(active, bool):
            raise UsageError("active: true or false")
        self._recorder.report(kind, _text("key", key, 200), _text("message", message, MAX_TEXT), active)
        return {}

    def _running_run(self, run: Any) -> str:
        """The run meant: named by its id, by its name when that is unique, or the only one when nothing is named."""
        running = self._recorder.running()
        if not running:
            raise RefusedError("no run is on")
        if run is None:
            if len(running) > 1:
                raise RefusedError(f"several runs are on: {', '.join(r.id for r in running)}", hint="name one")
            return running[0].id
        matches = [r.id for r in running if run in (r.id, r.name)]
        if len(matches) != 1:
            ids = [r.id for r in running]
            raise RefusedError(f"run {run!r} is not on{nearest(str(run), ids)}")
        return matches[0]


def _text(field: str, value: Any, longest: int) -> str:
    if not isinstance(value, str) or len(value) > longest:
        raise UsageError(f"{field}: a text of at most {longest} characters")
    return value
