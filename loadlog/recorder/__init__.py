"""The recorder process: bus -> acquisition -> validation -> detectors -> store, and protective actions. It does what must never stop.

Threads: one per bus (`acquisition`), the journal's writer (`store`), the control socket's (`control`), and the main thread, which alone
owns the pipeline: readings, orders and facts reach it through one inbox, in the order in which they are numbered and stored.
"""

from loadlog.recorder.process import run_recorder

__all__ = ["run_recorder"]
