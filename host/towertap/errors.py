"""The error tree: a failure caused by the input or the caller, never by a bug, is a TowertapError."""


class TowertapError(Exception):
    """Something the user can fix; its text is one line that says what is wrong and what to do."""

    def __str__(self) -> str:
        """One line, even if it quotes text of several."""
        return " ".join(super().__str__().splitlines())


class CallError(TowertapError):
    """The call itself is wrong: an option, a name, a combination."""


class FileError(TowertapError):
    """A file or other input is missing, damaged, hostile or of the wrong kind."""


class BoxError(TowertapError):
    """The box, its port or its answers are faulty."""


class AnalysisError(TowertapError):
    """The data does not support what was asked of it."""
