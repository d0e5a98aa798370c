"""Where the command starts: an interrupt is quiet from here on, before anything is imported.

What comes earlier is the interpreter's own start, over which no package has a say.
"""

# the built-in part of signal, which itself takes as long to import as it has to be covered for
import _signal  # type: ignore[import-not-found]
import os
import sys

__all__ = ["main"]


def _leave(number: int, frame: object) -> None:
    """End at once: nothing has been opened or written yet."""
    if number == _signal.SIGINT:
        os.write(2, b"geosite: interrupted; nothing half-written was left\n")
    os._exit(128 + number)


for _number in (_signal.SIGINT, _signal.SIGTERM):
    if _signal.getsignal(_number) != _signal.SIG_IGN:
        _signal.signal(_number, _leave)


# matrices are small here: threads of the linear algebra library would mostly wait for each other,
# with the processor busy; and sums over two threads may end in other digits than over eight
for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")


def main() -> None:
    """Run the command, which listens to interrupts in its own way."""
    from geosite_cli.main import main as run

    try:
        run(sys.argv[1:])
    except SystemExit as end:
        if sys.argv[1:2] in (["build"], ["check"]) and isinstance(end.code, int):
            _end(end.code)
        raise
    finally:
        import gc

        # the interpreter would look through all objects for circles of garbage before it ends,
        # which takes a tenth of a small build; they all go with the process
        gc.freeze()


def _end(status: int) -> None:
    """End without taking all modules apart first, which takes a twentieth of a small build.

    Every file is closed by then. Building and checking run no plug-in and start no thread that
    might wait to be told of the end, as other commands do.
    """
    import contextlib

    for stream in (sys.stdout, sys.stderr):
        # whoever read it has left, or there is none
        with contextlib.suppress(OSError, ValueError, AttributeError):
            stream.flush()
    os._exit(status)
