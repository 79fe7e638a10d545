"""When datagrams were sent and when the kernel received them: the raw material of jitter and delay variation."""

from __future__ import annotations

from typing import Any, Dict


class Arrivals:
    """Seam: filled in with the kernel's receive times once metrics/ has the formulas."""

    def summary(self) -> Dict[str, Any]:
        """Nothing measured yet, and said so."""
        return {"jitter_mean_s": None, "jitter_basis": "not measured", "delay_variation_p99_s": None}
