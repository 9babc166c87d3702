"""Small tasks for worker processes, without heavy imports."""

import os


def double(number: int) -> int:
    """Return twice the number: a task for the workers."""
    return 2 * number


def threads_of_linear_algebra(_: int) -> str:
    """Return what the worker's environment says of BLAS threads."""
    return os.environ["OPENBLAS_NUM_THREADS"]


def die_on_three(number: int) -> int:
    """End the process without a word on the number 3."""
    if number == 3:
        os._exit(9)
    return number


def fail_on_three(number: int) -> int:
    """Raise on the number 3."""
    if number == 3:
        raise ValueError("three")
    return number
