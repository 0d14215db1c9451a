"""drainledger: from raw logger files, calibrations and lab results to nutrient loads per plot, event and year.

Belongs here: nothing but the switches that must be set before any part is imported (no part may phone home).
"""

import os

os.environ.setdefault("GX_ANALYTICS_ENABLED", "false")
os.environ.setdefault("DAGSTER_DISABLE_TELEMETRY", "1")
