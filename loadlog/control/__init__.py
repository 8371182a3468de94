"""Orders to the recorder over a local socket that it owns: one JSON object a line, each answered: done, or why not.

The socket stands in the data directory with mode 0660; who may write there may give orders. Requests are
``{"order": "run_start", ...}``; answers are ``{"ok": true, ...}`` or ``{"ok": false, "error": one line, "exit_status": n}``.
"""
