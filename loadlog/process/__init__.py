"""What a long-running process owes its host: structured logs, systemd's readiness and watchdog, and its place behind the recorder."""
