"""drainledger: from raw logger files, calibrations and lab results to nutrient loads per plot, event and year.

Belongs here: nothing but the switches that must be set before any part is imported: no part may phone home, and linear algebra
runs in one thread, so that numbers do not depend on how many processors there are.
"""

import os

os.environ.setdefault("GX_ANALYTICS_ENABLED", "false")
os.environ.setdefault("DAGSTER_DISABLE_TELEMETRY", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
