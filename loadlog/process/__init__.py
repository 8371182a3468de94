"""What a long-running process owes its host: structured logs and systemd's readiness and watchdog."""
