"""Killed at a chosen step: an act run in a child process that dies like one pulled from the mains.

A step is a write (which leaves half of its bytes), a flush, a rename, a removal, a new folder, the writing of
a sound file (which leaves half of it), or a statement to the database, BEGIN and COMMIT among them. The child
is forked, so nothing of it but files outlives it.
"""

import os
import signal
import sqlite3

import soundfile

STEPS = ("fsync", "replace", "rename", "unlink", "rmdir", "mkdir")


def survived(at, act):
    """Run an act in a child that is killed at its at-th step; whether it came to its end before."""
    child = os.fork()
    if not child:
        code = 1
        try:
            _count(at)
            act()
            code = 0
        finally:
            os._exit(code)
    _, status = os.waitpid(child, 0)
    assert os.WIFSIGNALED(status) or os.WEXITSTATUS(status) == 0, "the act failed by itself"
    return not os.WIFSIGNALED(status)


def _count(at):
    """Let every step of this process count, and kill it at one of them."""
    count = 0

    def step(before_the_end=lambda: None):
        nonlocal count
        count += 1
        if count == at:
            before_the_end()
            os.kill(os.getpid(), signal.SIGKILL)

    def counted(module, name, half=lambda real, *given, **options: None):
        real = getattr(module, name)

        def call(*given, **options):
            step(lambda: half(real, *given, **options))
            return real(*given, **options)

        setattr(module, name, call)

    counted(os, "write", lambda real, handle, data: real(handle, bytes(data)[: len(data) // 2]))
    for name in STEPS:
        counted(os, name)
    counted(soundfile, "write", _half_a_sound)
    connect = sqlite3.connect

    def connected(*given, **options):
        database = connect(*given, **options)
        database.set_trace_callback(lambda _: step())
        return database

    sqlite3.connect = connected


def _half_a_sound(write, path, samples, rate, **options):
    write(path, samples, rate, **options)
    size = os.stat(path).st_size
    os.truncate(path, size // 2)
