"""Copies bytes from the port to the raw file: one thread reads, one writes and syncs; neither waits for the screen."""

import os
import queue
import threading
import time
from collections import deque
from pathlib import Path

from towertap.box.port import SerialBox

SYNC_INTERVAL_S = 1.0
"""How often the raw file is synced to disk, which is what a power cut can cost."""

QUEUE_CHUNKS = 16384
"""Chunks buffered while the disk stalls: of at most 4 kB each, so 64 MB, or about two minutes at 4 kHz."""

REOPEN_INTERVAL_S = 0.25

Chunk = tuple[int, bytes]
"""Time of arrival on the host's monotonic clock (ns), bytes."""


class Pump:
    """The two threads between a started box and its raw file.

    If the queue is full the reader waits, the box's buffers fill, and the box counts the samples that its chip loses:
    nothing goes missing silently. If the port is lost the reader retries until `stop`. After a failed write (`failure`)
    the file stays as it is, and further data is read and discarded.
    """

    def __init__(self, box: SerialBox, raw_path: Path) -> None:
        """Create `raw_path` (FileExistsError if it exists) and start copying."""
        flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_APPEND | getattr(os, "O_BINARY", 0)
        self._file = os.open(raw_path, flags, 0o644)
        self._box = box
        self._queue: queue.Queue[Chunk | None] = queue.Queue(QUEUE_CHUNKS)
        self._stopping = threading.Event()
        self.connected = True
        self.read_bytes = 0
        self.written_bytes = 0
        self.arrivals: deque[tuple[int, int]] = deque(maxlen=QUEUE_CHUNKS)
        """(bytes in the file after a chunk, its arrival in monotonic ns), newest last; for pairing the clocks."""
        self.failure: OSError | None = None
        self._threads = [
            threading.Thread(target=self._read, name="towertap-reader", daemon=True),
            threading.Thread(target=self._write, name="towertap-writer", daemon=True),
        ]
        for thread in self._threads:
            thread.start()

    def stop(self) -> None:
        """Write everything read so far, sync and close the file."""
        self._stopping.set()
        for thread in self._threads:
            thread.join()

    def _read(self) -> None:
        try:
            while not self._stopping.is_set():
                try:
                    data = self._box.read()
                except OSError:
                    self._reopen()
                    continue
                if data:
                    self.read_bytes += len(data)
                    self._queue.put((time.monotonic_ns(), data))
        finally:
            self._queue.put(None)  # ends the writer

    def _reopen(self) -> None:
        self.connected = False
        while not self._stopping.wait(REOPEN_INTERVAL_S):
            try:
                self._box.reopen()
            except OSError:
                continue
            self.connected = True
            return

    def _write(self) -> None:
        next_sync_s = time.monotonic() + SYNC_INTERVAL_S
        dirty, more = False, True
        while more:
            try:
                chunk = self._queue.get(timeout=max(0.0, next_sync_s - time.monotonic()))
            except queue.Empty:
                pass
            else:
                more = chunk is not None
                if chunk is not None and self.failure is None:
                    self._append(chunk)
                    dirty = True
            if not more or time.monotonic() >= next_sync_s:
                if dirty:
                    self._sync()
                dirty, next_sync_s = False, time.monotonic() + SYNC_INTERVAL_S
        os.close(self._file)

    def _append(self, chunk: Chunk) -> None:
        arrival_ns, data = chunk
        view = memoryview(data)
        try:
            while view:
                count = os.write(self._file, view)
                self.written_bytes += count
                view = view[count:]
        except OSError as error:
            self.failure = error
        else:
            self.arrivals.append((self.written_bytes, arrival_ns))

    def _sync(self) -> None:
        try:
            os.fsync(self._file)
        except OSError as error:
            self.failure = self.failure or error
