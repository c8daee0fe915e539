"""One long piece of work in a process of its own, which tells of its steps and can be broken off at any time.

It runs at low priority and leaves this process free: no lock of the interpreter is shared. Where this process is
killed, the other one ends by itself.
"""

from __future__ import annotations

import os
import pickle
import signal
from contextlib import suppress
from multiprocessing import get_context
from typing import TYPE_CHECKING, Any, TypeVar

from matewindow.processes import when_orphaned

if TYPE_CHECKING:
    from collections.abc import Callable
    from multiprocessing.connection import Connection
    from multiprocessing.process import BaseProcess

    _Item = TypeVar("_Item")
    _Result = TypeVar("_Result")
    Step = Callable[[int, int], None]

LOOK_S = 1.0
"""How often ``still`` is asked while nothing is told. [s]"""
_GRACE_S = 20.0
"""So long a process that is broken off may take to end those that it has begun itself. [s]"""
_NICE = 10
_STEP, _DONE, _FAILED = "step", "done", "failed"


class EndedError(Exception):
    """The other process was ended from outside before it was done."""


class _BrokenOff(BaseException):
    """Nobody wants the work any more; no ``Exception``, so that the work does not catch it."""


def apart(
    work: Callable[[_Item, Step], _Result],
    item: _Item,
    on_step: Step | None = None,
    still: Callable[[], None] | None = None,
) -> _Result:
    """Do something in a process of its own.

    Args:
        work: a function of a module that can be imported, of the item and of what is to be called at each step with how
            many are done and how many there are. Items and results go from process to process by pickle.
        item: what it works on.
        on_step: called here at each step; what it raises breaks the work off.
        still: called here every second or so; what it raises breaks the work off.

    Raises:
        EndedError: the process was killed, for want of memory, say.
        Exception: what ``work`` raised.
    """
    context = get_context("spawn")
    ours, theirs = context.Pipe(duplex=False)
    process = context.Process(target=_begin, args=(theirs, work, item), name=work.__name__)
    process.start()
    theirs.close()
    try:
        return _heard(ours, on_step, still)  # type: ignore[no-any-return]
    finally:
        _end(process)
        ours.close()


def _heard(ours: Connection, on_step: Step | None, still: Callable[[], None] | None) -> Any:  # noqa: ANN401
    """What the other process says in the end."""
    while True:
        while not ours.poll(LOOK_S):
            if still is not None:
                still()
        try:
            kind, said = ours.recv()
        except EOFError:
            raise EndedError("the process that worked on it was ended from outside") from None
        if kind == _DONE:
            return said
        if kind == _FAILED:
            raise said
        if on_step is not None:
            on_step(*said)


def _end(process: BaseProcess) -> None:
    if process.is_alive():
        process.terminate()
        process.join(_GRACE_S)
        if process.is_alive():
            process.kill()
    process.join()
    process.close()


# --- in the other process ---------------------------------------------------------------------------------------


def _begin(theirs: Connection, work: Callable[[Any, Step], Any], item: Any) -> None:  # noqa: ANN401
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C comes to all processes of a terminal; the parent decides
    with suppress(_BrokenOff, BrokenPipeError):
        signal.signal(signal.SIGTERM, _break_off)
        when_orphaned(lambda: os._exit(1))  # and whoever it has begun ends likewise
        if hasattr(os, "nice"):
            os.nice(_NICE)
        theirs.send(_outcome(theirs, work, item))


def _outcome(theirs: Connection, work: Callable[[Any, Step], Any], item: Any) -> tuple[str, Any]:  # noqa: ANN401
    def on_step(done: int, wanted: int) -> None:
        theirs.send((_STEP, (done, wanted)))

    try:
        return _DONE, work(item, on_step)
    except BrokenPipeError:
        raise
    except Exception as fault:  # raised again by the parent
        return _FAILED, _portable(fault)


def _portable(fault: Exception) -> Exception:
    """The same error if it can be sent, else one that tells of it."""
    try:
        sent = pickle.loads(pickle.dumps(fault))  # noqa: S301  our own bytes
    except Exception:  # whatever pickle makes of it
        return RuntimeError(f"{type(fault).__name__}: {fault}")
    return fault if type(sent) is type(fault) else RuntimeError(str(fault))


def _break_off(_signal: int, _frame: object) -> None:
    signal.signal(signal.SIGTERM, signal.SIG_IGN)  # once is enough
    raise _BrokenOff
