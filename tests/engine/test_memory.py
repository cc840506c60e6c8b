"""Memory that is lent again once nothing refers to it."""

import gc

from shaftloop.engine.memory import Memory


def test_memory_is_used_again_only_when_no_view_is_left() -> None:
    memory = Memory()
    first = memory.array((3, 4))
    place, view = first.ctypes.data, first[1].T[::2]
    view[:] = 7.0
    del first
    second = memory.array((3, 4))
    second[:] = 0.0
    assert second.ctypes.data != place and (view == 7.0).all()
    del view
    gc.collect()
    third = memory.array((2, 5))
    assert third.ctypes.data == place and third.shape == (2, 5) and third.flags.c_contiguous


def test_memory_that_is_too_small_is_not_used() -> None:
    memory = Memory()
    del_me = memory.array((2,))
    del del_me
    large = memory.array((100,))
    large[:] = 1.0
    assert large.sum() == 100.0
