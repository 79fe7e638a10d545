"""What "as found" means for a host: one image before the first change, compared with another at the end.

An image is {"interfaces": [...], "stacked": {child: parent}, "items": {key: value}}; a key names one thing that can be
put right alone: `section:interface:detail`, the interface empty for what belongs to the whole host.
"""

from __future__ import annotations

from orchestrator.onhost.image.comparing import differences
from orchestrator.onhost.image.taking import take_image

__all__ = ["differences", "take_image"]
