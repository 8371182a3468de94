"""Hot rows read as columns are cell for cell what SQLite holds."""

from __future__ import annotations

import sqlite3
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from loadlog.model.errors import StoreError
from loadlog.store.blocks import VALUES, Body, encode
from loadlog.store.hot_columns import COLUMNS_AT_ONCE, read_whole
from loadlog.store.schema import SAMPLE_COLUMNS

INT64 = 1 << 63
ORDINARY = st.integers(-70_000, 70_000)
COUNT = st.one_of(
    ORDINARY,
    st.none(),
    st.sampled_from([-INT64, 1 - INT64, INT64 - 1]),
    st.integers(INT64, INT64 << 9).map(str),
    st.integers(-INT64, INT64 - 1),
)
MASK = st.one_of(st.none(), st.integers(0, 70_000), st.just(INT64 - 1), st.integers(INT64, INT64 << 9).map(str))
TEXT = st.none() | st.sampled_from(["timeout", "crc", '{"detail":"1,2"}'])
WIDTH = 3


@st.composite
def rows(draw: st.DrawFn) -> list[tuple[Any, ...]]:
    """Rows of three devices; each column of counts either ordinary or with everything that a count can be."""
    kinds = [draw(st.sampled_from([ORDINARY, COUNT, st.none()])) for _ in range(WIDTH)]
    seqs = sorted(draw(st.sets(st.integers(1, 1 << 40), min_size=1, max_size=40)))
    masks = draw(st.sampled_from([st.none(), MASK, st.integers(0, 7)]))
    texts = draw(st.sampled_from([st.none(), TEXT, st.just("timeout")]))
    return [
        (
            draw(st.integers(1, 3)), seq, draw(st.integers(-INT64, INT64 - 1)), draw(ORDINARY), draw(ORDINARY), draw(st.integers(0, 2)),
            draw(texts), draw(masks), draw(texts), *map(draw, kinds),
        )
        for seq in seqs
    ]  # fmt: skip


def table(of: list[tuple[Any, ...]], width: int = WIDTH) -> sqlite3.Connection:
    db = sqlite3.connect(":memory:")
    values = [f"v{i}" for i in range(width)]
    db.execute(f"CREATE TABLE sample({', '.join(('seq INTEGER PRIMARY KEY, device', *SAMPLE_COLUMNS[1:], *values))})")
    names = ("device", *SAMPLE_COLUMNS, *values)
    db.executemany(f"INSERT INTO sample({', '.join(names)}) VALUES({', '.join('?' * len(names))})", of)
    return db


@given(rows())
def test_columns_hold_what_the_rows_hold(of: list[tuple[Any, ...]]) -> None:
    after, upto = of[len(of) // 3][1] - 1, of[-1][1] - 1
    found = read_whole(table(of), after + 1, upto, WIDTH)
    of_each = {} if found is None else found.of_each()
    for device in (1, 2, 3):
        own = [row[1:] for row in of if row[0] == device and after < row[1] <= upto]
        assert (device in of_each) == bool(own)
        if not own:
            continue
        columns = [of_each[device][index] for index in range(VALUES + WIDTH)]
        assert list(zip(*(column.cells() for column in columns), strict=True)) == own
        body = Body(encode(columns))
        for column in map(body.column, range(VALUES + WIDTH)):
            assert column.texts is None or sorted(map(str, column.texts)) == sorted(set(map(str, column.cells()))), "values that occur"
        assert list(zip(*(body.column(i).cells() for i in range(VALUES + WIDTH)), strict=True)) == own


@given(st.data())
def test_columns_that_lack_little(data: st.DataObject) -> None:
    """A failed poll among hundreds, a value that is missing here and there, in more columns than are read at once."""
    width, rows = COLUMNS_AT_ONCE + 2, 100
    lacking = data.draw(st.lists(st.sets(st.integers(1, rows), max_size=rows // 10), min_size=width, max_size=width))
    of = []
    for seq in range(1, rows + 1):
        values = [None if seq in lacks else seq * i for i, lacks in enumerate(lacking)]
        failed = not any(values)
        of.append((1, seq, 0, 0, 0, 2 * failed, "timeout" if failed else None, None, "{}" if seq in lacking[0] else None, *values))
    found = read_whole(table(of, width), 1, rows, width)
    assert found is not None
    assert list(zip(*(column.cells() for _, column in sorted(found.of_each()[1].items())), strict=True)) == [row[1:] for row in of]


def test_more_columns_than_are_read_at_once() -> None:
    width = 2 * COLUMNS_AT_ONCE + 3
    of = [(1, seq, 0, 0, 0, 0, None, None, None, *(None if i == seq else seq * i for i in range(width))) for seq in range(1, 5)]
    found = read_whole(table(of, width), 1, 4, width)
    assert found is not None
    assert list(zip(*(column.cells() for _, column in sorted(found.of_each()[1].items())), strict=True)) == [row[1:] for row in of]


def test_what_no_recording_holds_is_refused() -> None:
    with pytest.raises(StoreError, match="integers"):
        read_whole(table([(1, 1, 0, 0, 0, 0, None, None, None, 1.5, None, None)]), 1, 1, WIDTH)
