"""External changes: what a trial rests on on this host, watched while it runs.

Three ways, so that nothing stays unseen: the kernel's own notices (links, addresses, drivers, written files), reading
everything again from time to time, and once more at the end.
"""

from __future__ import annotations

from orchestrator.onhost.external.watching import watch

__all__ = ["watch"]
