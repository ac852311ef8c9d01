"""The failures a command can end in; the command line turns each into one sentence and an exit code."""


class BarboxError(Exception):
    """Base of all failures that are told to the person in one sentence."""

    exit_code = 1


class AnswerNo(BarboxError):
    """The command worked and the answer is no: a protection failed, a check did not hold."""

    exit_code = 1


class UserError(BarboxError):
    """The person's mistake: what was wrong, where, what to do."""

    exit_code = 2


class BoxError(BarboxError):
    """The box or the link to it failed: not there, busy, silent, of another version, or it refused."""

    exit_code = 3
