"""What can go wrong, and for whom.

Every error meant for a person derives from :class:`VadistError`; its message is one line that
names the place, the field, the rule and the value. The command line prints that line and exits
with :attr:`VadistError.exit_code`; anything else is a bug, shows its traceback and exits with
:data:`EXIT_BUG`, so that no script takes it for a failed check.

::

    VadistError
    ├── UsageError         a command line option or argument that cannot be used      exit 2
    ├── DesignError        a design file, a component value, a network               exit 2
    ├── AudioFileError     a take that cannot be read or written                     exit 2
    ├── CaptureError       a bench recording that cannot be understood               exit 2
    │   └── UnjudgedError  one that is understood, but shows nothing to judge by     exit 1
    └── ConvergenceError   the circuit equations could not be solved                 exit 1

What a design holds that is allowed but unlikely is told by a :class:`DesignWarning`.
"""

# The codes of BSD's sysexits.h, which Python knows on POSIX systems alone (as os.EX_...).
EXIT_BUG = 70
"""A bug (EX_SOFTWARE)."""
EXIT_SYSTEM = 71
"""The machine gave out: no memory (EX_OSERR)."""
EXIT_OUTPUT = 74
"""Output could not be written: a full disk, a folder that is shut (EX_IOERR)."""


class VadistError(Exception):
    """Base of every error with a message for a person."""

    exit_code = 2


class UsageError(VadistError):
    """An option or argument cannot be used as given."""


class DesignError(VadistError):
    """A design, a component value or a network breaks a rule."""


class AudioFileError(VadistError):
    """An audio file cannot be read or written."""


class CaptureError(VadistError):
    """A bench recording cannot be understood."""


class UnjudgedError(CaptureError):
    """A bench recording shows nothing that a board could be judged by."""

    exit_code = 1


class ConvergenceError(VadistError):
    """The circuit equations could not be solved."""

    exit_code = 1


class DesignWarning(UserWarning):
    """A design can be rendered, but a value of it looks like a slip."""
