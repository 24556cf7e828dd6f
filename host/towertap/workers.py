"""Executors for reading many captures: all cores of this computer, or a fleet of computers through Dask."""

import os
import signal
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import BrokenExecutor, Executor
from contextlib import AbstractContextManager, contextmanager

from towertap.errors import CallError

Workers = Callable[[], AbstractContextManager[Executor]]

ANSWERS_S = 10.0
"""How long to wait for a scheduler to answer."""


@contextmanager
def all_cores() -> Iterator[Executor]:
    """One process per core. All end at once if the block ends by an error or Ctrl-C, or if this process ends.

    The processes are spawned, so a script that uses this needs an `if __name__ == "__main__"` guard. Raises CallError
    if one of them is killed from outside.
    """
    import multiprocessing  # here, because loading it takes as long as showing a command's help
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
        raise CallError("a process that was reading captures was killed: is there enough memory?") from None
    finally:
        for process in multiprocessing.active_children():
            process.terminate()
        executor.shutdown(cancel_futures=True)


@contextmanager
def fleet(address: str) -> Iterator[Executor]:
    """The workers of a Dask scheduler, which must see the captures at the same paths; CallError if none answers."""
    try:
        from distributed import Client
    except ImportError:
        raise CallError("--scheduler needs Dask: pip install 'towertap[fleet]'") from None
    try:
        client = Client(address, timeout=ANSWERS_S)
    except (OSError, ValueError) as error:
        raise CallError(f"no Dask scheduler answers at {address!r}: {error}") from None
    with client:
        yield client.get_executor()


@contextmanager
def _no_interrupts() -> Iterator[None]:
    """Processes started in this block never see Ctrl-C: the parent process ends them."""
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _begin() -> None:
    """In a new process: ignore Ctrl-C, and exit when the parent process does, for whatever reason."""
    import multiprocessing
    from multiprocessing.connection import wait

    signal.signal(signal.SIGINT, signal.SIG_IGN)
    parent = multiprocessing.parent_process()
    assert parent is not None

    def exit_with_parent() -> None:
        wait([parent.sentinel])
        os._exit(1)

    threading.Thread(target=exit_with_parent, daemon=True).start()
