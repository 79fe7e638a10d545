"""Names that a plan may give and that were others before: settings and traffic factors, old to new. Pure.

What plans, tables and journals of before are read by; what else they called otherwise stands where each is read.
"""

from __future__ import annotations

SETTINGS = {
    "least-frequency": "min-frequency",
    "greatest-frequency": "max-frequency",
    "receive-coalescing": "receive-offload",
}
TRAFFIC = {"offered_rate": "intended_load", "segment_size": "mss", "no_copy": "zero_copy"}
FACTORS = {**SETTINGS, **TRAFFIC}
