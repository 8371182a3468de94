"""loadlog: an unattended logger for tests with DC electronic loads.

The data's way: `bus` moves bytes and keeps requests and replies together; `acquisition` polls on absolute deadlines and decodes through
`profiles`; `validation` turns each reading into a sample with a quality; `detectors` turn samples into events (`pipeline` runs both,
sample by sample); `store` keeps both. All of that is the *recorder* process. The *viewer* process reads the store and shows it: `web`.
"""

__version__ = "0.1.0"
