"""A lab host turned into what stands in for a host of the BSD family, as far as a program can tell from the inside.

Its /proc and /sys are empty. `python3` is this machine's Python without what FreeBSD's has not (emulated/as_bsd.py).
`ifconfig`, `ps` and `sysctl` speak in the forms of FreeBSD's manual pages; `ifconfig` changes the true interface. The
kernel below stays Linux: what a BSD kernel does otherwise shows nowhere here.
"""

from __future__ import annotations

from pathlib import Path

from orchestrator.lab.places import Place

EMULATED = Path(__file__).parent / "emulated"
_MOUNTS = """set -e
mkdir -p /run/linux/proc /run/linux/sys
mount --bind /proc /run/linux/proc
mount --bind /sys /run/linux/sys
mount -t tmpfs -o mode=0755 none /usr/local/sbin
"""
_HIDE = """set -e
grep btime /proc/stat | cut -d' ' -f2 | sed 's/$/.241007/' > /run/linux/boottime
chmod 755 /usr/local/sbin/*
mount -t tmpfs -o ro,size=4k none /sys
mount -t tmpfs -o ro,size=4k none /proc
"""


def make_bsd(host: Place) -> None:
    """Turn it; there is no way back."""
    host.exec(["sh", "-c", _MOUNTS], check=True, timeout=20)
    for path in EMULATED.iterdir():
        if path.is_file():
            folder = "/run/linux" if path.suffix else "/usr/local/sbin"
            host.exec(["sh", "-c", f"cat > {folder}/{path.name}"], input=path.read_bytes(), check=True, timeout=20)
    host.exec(["sh", "-c", _HIDE], check=True, timeout=20)


def set_wall_clock(host: Place, seconds: int) -> None:
    """What setting the wall clock does there: kern.boottime moves with it, and with that every start time."""
    program = f"p='/run/linux/boottime'; s = open(p).read(); open(p, 'w').write(str(float(s) + {seconds}))"
    host.exec(["/usr/bin/python3", "-c", program], check=True, timeout=20)
