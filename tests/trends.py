"""Waiting for trends that are worked out apart, for tests."""

import threading


def worked_out(timeout_s: float) -> bool:
    """Wait until the thread of trends, if there is one, has done its work; whether it has."""
    workers = [thread for thread in threading.enumerate() if thread.name == "trends"]
    for worker in workers:
        worker.join(timeout_s)
    return not any(worker.is_alive() for worker in workers)
