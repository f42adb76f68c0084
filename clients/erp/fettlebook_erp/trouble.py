"""Why a pull cannot go on. The words end with the cause."""


class FoundWrong(Exception):
    """What was found contradicts what was pulled before, or the form that was agreed on. Somebody has to look."""


class CouldNotRun(Exception):
    """The service or the sink cannot be reached or does not let us in. Nothing is known to be wrong."""
