"""Which run folders this user's linktrial made itself, with just this plan: a keyed mark outside of the folder.

A folder may come from a stranger, and a plan may name programs to run. So `run` notes a mark when it makes a folder,
and `resume` and `recover` look whether it is there. The marks are in `$XDG_STATE_HOME/linktrial` (XDG Base Directory
Specification; `~/.local/state/...`), each an HMAC (RFC 2104) of the run's name, plan and bindings under a key of this
user's own: neither a folder nor a copied mark of another run can claim to be ours.
"""

from __future__ import annotations

import hashlib
import hmac
import json
import os
import re
import secrets
from collections.abc import Mapping
from pathlib import Path

from orchestrator.faults import PlanError
from orchestrator.run_files import Folder

KEY = "key"
MARKS = "made"
_KEY_BYTES = 32
_NAME = re.compile(r"[^/\0]{1,255}")


def state_folder() -> Path:
    """Where this user's own marks are kept."""
    base = os.environ.get("XDG_STATE_HOME") or Path.home() / ".local" / "state"
    return Path(base) / "linktrial"


def note_made(run_id: str, plan_text: str, binds: Mapping[str, str]) -> bool:
    """Mark a run as made here; False where there is nowhere to note it, which costs a question when it is resumed."""
    try:
        top = Folder(state_folder()).make()
        marks = top.inner(MARKS).make()
        marks.write(run_id, _mark(_key(top, make=True), run_id, plan_text, binds), private=True)
    except (OSError, PlanError):
        return False
    return True


def made_here(run_id: str, plan_text: str, binds: Mapping[str, str]) -> bool:
    """Whether this user's linktrial made the run of this name, with just this plan and these bindings."""
    top = Folder(state_folder())
    marks = top.inner(MARKS)
    if not _NAME.fullmatch(run_id) or run_id in (".", "..") or not marks.has(run_id):
        return False
    try:
        found = marks.text(run_id, 4096)
        return hmac.compare_digest(found.encode(), _mark(_key(top, make=False), run_id, plan_text, binds).encode())
    except (OSError, PlanError):
        return False


def _key(top: Folder, *, make: bool) -> bytes:
    if make and not top.has(KEY):
        top.write(KEY, secrets.token_bytes(_KEY_BYTES), private=True, flush=True)
    key = top.read(KEY, _KEY_BYTES)
    if len(key) != _KEY_BYTES:
        raise PlanError("key", f"{top.at(KEY)} is not a key of linktrial's", path=str(top.at(KEY)))
    return key


def _mark(key: bytes, run_id: str, plan_text: str, binds: Mapping[str, str]) -> str:
    about = json.dumps([run_id, plan_text, sorted(binds.items())]).encode()
    return hmac.new(key, about, hashlib.sha256).hexdigest()
