"""A few requests are read, then everything else has its turn."""

import asyncio

from evenhall.pages.turns import AT_A_TIME, Turns


class Reader:
    def __init__(self, name, said):
        self.name, self.said = name, said

    def read(self):
        self.said.append(self.name)


def come(turns, said, names):
    for name in names:
        if turns.is_free():
            said.append(name)
        else:
            turns.wait(Reader(name, said))


def test_crowd_is_read_in_order_a_few_in_each_round_of_the_loop():
    said, counts = [], []

    async def run():
        turns = Turns(asyncio.get_running_loop())
        come(turns, said, range(5 * AT_A_TIME))
        for _ in range(6):
            counts.append(len(said))
            await asyncio.sleep(0)

    asyncio.run(run())
    assert said == list(range(5 * AT_A_TIME))
    assert counts == [AT_A_TIME * min(k, 5) for k in range(1, 7)]


def test_who_comes_later_waits_behind_those_who_wait():
    said = []

    async def run():
        turns = Turns(asyncio.get_running_loop())
        come(turns, said, range(2 * AT_A_TIME))
        await asyncio.sleep(0)
        come(turns, said, ["late"])
        assert "late" not in said
        await asyncio.sleep(0)

    asyncio.run(run())
    assert said == [*range(2 * AT_A_TIME), "late"]


def test_turns_are_free_again_once_nobody_waits():
    async def run():
        turns = Turns(asyncio.get_running_loop())
        first = [turns.is_free() for _ in range(AT_A_TIME + 1)]
        await asyncio.sleep(0)
        return first, turns.is_free()

    assert asyncio.run(run()) == ([True] * AT_A_TIME + [False], True)
