"""A viewer that a test restarts, with a clock that it turns: what stands in the viewer's database is all that is left."""

from __future__ import annotations

from pathlib import Path

from loadlog.model.clock import NS
from loadlog.store.viewer_state import ViewerState, open_state
from tests.unit.store.recorded import T0


class Restarted:
    """Those who derive from it make in `begin` what a viewer makes at its start, and call `again` when they are ready for the first one."""

    def __init__(self, folder: Path, now_s: float) -> None:
        self.folder, self.now_s = folder, now_s
        self.viewer: ViewerState | None = None

    def again(self) -> None:
        """A restart of the viewer."""
        if self.viewer is not None:
            self.viewer.close()
        self.viewer = open_state(self.folder)
        self.begin(self.viewer)

    def begin(self, viewer: ViewerState) -> None:
        raise NotImplementedError

    def utc_ns(self) -> int:
        return T0 + round(self.now_s * NS)
