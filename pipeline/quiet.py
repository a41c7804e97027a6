"""Settings under which prefect stays quiet: nothing is sent anywhere, no server is asked for that is not there.

Imported before prefect, which reads them once. What the environment says already stays.
"""

from __future__ import annotations

import os

QUIET = {
    "DO_NOT_TRACK": "1",
    "PREFECT_SERVER_ANALYTICS_ENABLED": "false",
    "PREFECT_SERVER_EPHEMERAL_STARTUP_TIMEOUT_SECONDS": "120",
    "PREFECT_LOGGING_TO_API_ENABLED": "false",
    "PREFECT_LOGGING_LEVEL": "WARNING",
    "PREFECT_SERVER_LOGGING_LEVEL": "ERROR",
}
for _name, _value in QUIET.items():
    os.environ.setdefault(_name, _value)
