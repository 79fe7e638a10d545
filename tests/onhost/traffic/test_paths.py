"""Ways of sending and receiving datagrams: a forced one is taken or refused, and bursts are as long as was asked."""

from __future__ import annotations

import ctypes
import errno
import socket
from collections.abc import Iterator

import pytest

from orchestrator.onhost.refusal import Refusal
from orchestrator.onhost.traffic import message_vector, udp_receive
from orchestrator.onhost.traffic.udp_paths import BATCH, SEGMENT, choose_send_path
from orchestrator.onhost.traffic.udp_receive import UdpReceive
from tests.testing.pair_over_lo import pair_over_lo


@pytest.fixture
def ends() -> Iterator[tuple[socket.socket, socket.socket]]:
    with (
        socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as near,
        socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as far,
    ):
        far.bind(("127.0.0.1", 0))
        near.bind(("127.0.0.1", 0))
        near.connect(far.getsockname())
        yield near, far


@pytest.mark.parametrize("forced", ["coalesce", "batch"])
def test_a_forced_way_of_receiving_is_never_replaced_in_silence(
    forced: str, ends: tuple[socket.socket, socket.socket], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The row would say `receive_with: batch` for datagrams that were taken one by one."""
    monkeypatch.setattr(udp_receive.message_vector, "is_offered", lambda call: False)
    flow = {"way": "transmit", "transport": "udp", "receive_path": forced}
    pair = pair_over_lo([flow])
    with pytest.raises(Refusal) as refused:
        UdpReceive(pair, pair.streams[0], ends[1]).prepare()
    assert refused.value.code == "receive_path"


def test_an_error_left_over_from_another_call_does_not_make_batches_unavailable() -> None:
    ctypes.set_errno(errno.EPERM)
    assert message_vector.is_offered("sendmmsg")
    ctypes.set_errno(errno.ENOSYS)
    assert message_vector.is_offered("recvmmsg")


@pytest.mark.parametrize(
    ("forced", "burst", "least"),
    [
        (SEGMENT, 44, 44),
        (SEGMENT, 45, 44),
        (SEGMENT, 64, 64),
        (SEGMENT, 100, 99),
        (SEGMENT, 1000, 989),
        (BATCH, 64, 64),
        (BATCH, 100, 100),
        (BATCH, 1024, 1024),
    ],
)
def test_a_burst_is_as_long_as_asked_but_for_what_sends_of_one_length_leave_over(
    forced: str, burst: int, least: int, ends: tuple[socket.socket, socket.socket]
) -> None:
    """A send takes 44 datagrams of 1472 bytes: 100 are three sends of 33, not two of 44."""
    path = choose_send_path(ends[0], 1472, burst, forced)
    assert least <= path.count <= burst
