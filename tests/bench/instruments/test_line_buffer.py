"""Bytes to lines, however the bytes arrive."""

from __future__ import annotations

from itertools import pairwise

from hypothesis import given
from hypothesis import strategies as st

from bench.instruments.line_buffer import LineBuffer


def drain(buffer: LineBuffer) -> list[str]:
    lines = []
    while (line := buffer.take()) is not None:
        lines.append(line)
    return lines


text = st.text(
    st.characters(blacklist_characters="\r\n", blacklist_categories=("Cs",)), max_size=30
)


@given(st.lists(text), st.lists(st.integers(0, 400)), st.sampled_from(["\n", "\r\n", ";;"]))
def test_lines_survive_any_cutting(lines: list[str], cuts: list[int], terminator: str) -> None:
    lines = [line.replace(";", "") for line in lines]
    data = "".join(line + terminator for line in lines).encode()
    buffer = LineBuffer(terminator.encode())
    places = [0, *sorted(min(cut, len(data)) for cut in cuts), len(data)]
    for start, stop in pairwise(places):
        buffer.feed(data[start:stop])
    assert drain(buffer) == lines


@given(st.binary(max_size=300), st.integers(1, 50))
def test_any_bytes_come_out_bounded(data: bytes, longest: int) -> None:
    buffer = LineBuffer(longest=longest)
    buffer.feed(data)
    assert all(len(line) <= longest for line in drain(buffer))
    assert len(buffer._pending) <= longest


def test_an_unfinished_line_is_kept_back() -> None:
    buffer = LineBuffer()
    buffer.feed(b"21.5,2")
    assert buffer.take() is None
    buffer.feed(b"2.0\n")
    assert buffer.take() == "21.5,22.0"


def test_the_first_partial_line_of_a_stream_is_dropped() -> None:
    buffer = LineBuffer(drop_first=True)
    buffer.feed(b".5,22.0\n21.6,22.0\n")
    assert drain(buffer) == ["21.6,22.0"]


def test_a_line_without_end_is_given_once_and_the_next_line_is_whole() -> None:
    buffer = LineBuffer(longest=8)
    for _ in range(1000):
        buffer.feed(b"x" * 100)
    assert len(buffer._pending) <= 8
    buffer.feed(b"rest\n21.5\n")
    assert drain(buffer) == ["xxxxxxxx", "21.5"]


def test_a_long_line_cut_inside_its_terminator_still_ends() -> None:
    buffer = LineBuffer(b"\r\n", longest=4)
    buffer.feed(b"xxxxxxxx\r")
    buffer.feed(b"\n21.5\r\n")
    assert drain(buffer) == ["xxxx", "21.5"]


def test_clear_forgets_a_started_line() -> None:
    buffer = LineBuffer()
    buffer.feed(b"old\nstarted")
    buffer.clear()
    buffer.feed(b"new\n")
    assert drain(buffer) == ["new"]
