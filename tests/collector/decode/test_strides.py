"""How many messages are tried in one step, and when."""

from __future__ import annotations

from flowdiag.collector.decode.strides import FIRST_STEP, MOST_BETWEEN, ONE_STEP, WORTH, Strides


def test_steps_grow_while_all_of_them_is_alike() -> None:
    strides, at, tried = Strides(), 0, []
    for _ in range(9):
        assert strides.due(at)
        tried.append(strides.most)
        strides.took(strides.most, at)
        at += tried[-1]
    assert tried == [FIRST_STEP * 2**k for k in range(6)] + [ONE_STEP] * 3


def test_a_step_that_does_not_pay_is_tried_ever_less_often() -> None:
    strides, tried = Strides(), []
    for at in range(400):
        if strides.due(at):
            tried.append(at)
            strides.took(0, at)
    waits = [after - before for before, after in zip(tried, tried[1:], strict=False)]
    assert waits[:6] == [1, 3, 7, 15, 31, MOST_BETWEEN]
    assert set(waits[6:]) == {MOST_BETWEEN}


def test_one_that_pays_is_followed_by_the_next_at_once() -> None:
    strides = Strides()
    strides.took(WORTH - 1, 0)
    assert (strides.due(WORTH - 1), strides.due(WORTH)) == (False, True)
    strides.took(WORTH, WORTH)
    assert strides.due(2 * WORTH)
