"""Where captures are read when there are many: all cores of this computer, or a fleet of computers by Dask."""

import os
import signal
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import BrokenExecutor, Executor
from contextlib import AbstractContextManager, contextmanager

from towertap.errors import CallError

Workers = Callable[[], AbstractContextManager[Executor]]

ANSWERS_S = 10.0
"""A scheduler that has not answered for so long is not there."""


@contextmanager
def all_cores() -> Iterator[Executor]:
    """A process a core; all end at once when the block ends by an error or Ctrl-C, or this process does.

    Processes start anew and load what they run: a script that comes here must be guarded by `if __name__ ==
    "__main__"`. Raises CallError where one of them was ended from outside.
    """
    import multiprocessing  # takes as long to load as a command's help
    from concurrent.futures import ProcessPoolExecutor

    processes = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    executor = ProcessPoolExecutor(processes, multiprocessing.get_context("spawn"), _begin)
    try:
        with _no_interrupts():
            for _ in range(processes):
                executor.submit(os.getpid)
        yield executor
        executor.shutdown()
    except BrokenExecutor:
        raise CallError("a process that read captures was ended from outside: is there enough memory?") from None
    finally:
        for process in multiprocessing.active_children():
            process.terminate()
        executor.shutdown(cancel_futures=True)


@contextmanager
def fleet(address: str) -> Iterator[Executor]:
    """The workers of a Dask scheduler, who must see the captures under the same names; CallError where none answers."""
    try:
        from distributed import Client
    except ImportError:
        raise CallError("--scheduler needs Dask: pip install 'towertap[fleet]'") from None
    try:
        client = Client(address, timeout=ANSWERS_S)
    except (OSError, ValueError) as error:
        raise CallError(f"no scheduler of Dask answers at {address!r}: {error}") from None
    with client:
        yield client.get_executor()


@contextmanager
def _no_interrupts() -> Iterator[None]:
    """Processes that start here never see Ctrl-C: it is the first process that ends them."""
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _begin() -> None:
    """In a new process: leave Ctrl-C to the first, and end when that does, however it does."""
    import multiprocessing
    from multiprocessing.connection import wait

    signal.signal(signal.SIGINT, signal.SIG_IGN)
    first = multiprocessing.parent_process()
    assert first is not None

    def end_with_it() -> None:
        wait([first.sentinel])
        os._exit(1)

    threading.Thread(target=end_with_it, daemon=True).start()
