"""For what would hang if it were wrong: it is tried in a thread that may be left behind."""

import threading
from collections.abc import Callable

PATIENCE_S = 20.0


def ended(job: Callable[[], object]) -> bool:
    """Tell whether a job comes to its end."""
    worker = threading.Thread(target=job, daemon=True)
    worker.start()
    worker.join(PATIENCE_S)
    return not worker.is_alive()
