"""Scenario suite of the detectors: drawn benches on the simulator's physics, played in virtual time, judged by the simulator's own log."""
