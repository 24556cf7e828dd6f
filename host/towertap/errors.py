"""The one error tree: every failure that is the input's or the caller's, never a bug, is a TowertapError."""


class TowertapError(Exception):
    """Something a person can mend; its text is one line that says what is wrong and what to do."""

    def __str__(self) -> str:
        """One line, also where it quotes what has several."""
        return " ".join(super().__str__().splitlines())


class CallError(TowertapError):
    """The call itself is wrong: an option, a name, a combination."""


class FileError(TowertapError):
    """A file or text from outside that is missing, damaged, hostile or not what it should be."""


class BoxError(TowertapError):
    """The box, its port or its answers are not as they must be."""


class AnalysisError(TowertapError):
    """The data cannot carry what was asked of it."""
