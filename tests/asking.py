"""Questions asked of records in a line, as the tests need them."""

from reliability.ask.asking import ask
from reliability.ask.questions import question_class
from reliability.pool import Pool


def asked(name, records=None, *, wear=None, misfires=None, ignition=None, **settings):
    """The answer to the question of that name from these facts."""
    pool = Pool(records, wear, misfires, ignition)
    return ask(question_class(name)(**settings), pool)
