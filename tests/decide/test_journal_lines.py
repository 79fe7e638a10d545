"""The journal is believed exactly as far as its checksums hold."""

import json

import pytest

from orchestrator.decide.journal_lines import START, Entry, decode, encode


def written(count: int = 5) -> list[bytes]:
    previous, lines = START, []
    for number in range(1, count + 1):
        body = {"value": "eth0; rm -rf / é\n", "n": number}
        line, previous = encode(Entry(number, "2026-01-01T00:00:00Z", "event", body), previous)
        lines.append(line.encode() + b"\n")
    return lines


def test_what_was_written_is_read():
    entries, cut, _ = decode(written())
    assert cut is None
    assert [entry.number for entry in entries] == [1, 2, 3, 4, 5]
    assert entries[2].body == {"value": "eth0; rm -rf / é\n", "n": 3}


def test_every_line_is_json_of_its_own():
    assert all(json.loads(line)["kind"] == "event" for line in written())


@pytest.mark.parametrize("cut_at", range(1, len(written(3)[2])))
def test_a_torn_tail_is_left_out_at_every_byte(cut_at):
    lines = written(3)
    entries, cut, _ = decode([*lines[:2], lines[2][:cut_at]])
    assert len(entries) == 2
    assert cut.line == 3
    assert cut.byte == len(lines[0]) + len(lines[1])


def test_every_flipped_bit_of_a_line_is_detected():
    lines = written(3)
    for byte in range(len(lines[1])):
        for bit in range(8):
            bad = bytearray(lines[1])
            bad[byte] ^= 1 << bit
            pieces = b"".join([lines[0], bytes(bad), lines[2]]).splitlines(keepends=True)
            entries, cut, _ = decode(pieces)
            assert cut is not None, (byte, bit)
            assert len(entries) == 1, (byte, bit)


def test_a_line_from_another_place_is_not_believed():
    lines = written(4)
    entries, cut, _ = decode([lines[0], lines[2], lines[3]])
    assert len(entries) == 1
    assert cut.line == 2


def test_an_older_tail_after_a_newer_line_is_not_believed():
    old = written(3)
    line, _ = encode(Entry(2, "2026-01-01T00:00:01Z", "event", {"other": True}), json.loads(old[0])["sum"])
    entries, cut, _ = decode([old[0], line.encode() + b"\n", old[2]])
    assert len(entries) == 2
    assert cut.line == 3
