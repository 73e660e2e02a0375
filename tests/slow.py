"""Workers whose dear questions are dear, however quick the statistics become: by how many counts are asked."""

import time

LONG = 50
SECONDS = 20.0
"""of computing that so many counts take"""
LARGE = 49
BYTES = 1 << 30
"""of memory that so many take"""


def nurse(number):
    """The nursery of questions, but for how long one with so many counts takes."""
    from reliability.ask import worker
    from reliability.decisions.life import Life

    answer = Life.answer

    def slow(self, pool):
        while len(self.at) == LONG and time.process_time() < SECONDS:
            pass
        if len(self.at) == LARGE:
            bytearray(BYTES)
        return answer(self, pool)

    Life.answer = slow
    worker.nurse(number)
