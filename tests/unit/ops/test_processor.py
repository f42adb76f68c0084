"""A service keeps its threads to one processor; what it starts to share work out does not."""

import os
import threading

import pytest

from service_api.ops import processor

pytestmark = pytest.mark.skipif(len(processor._ALL) < 2, reason="one processor is all there is")


def test_threads_keep_to_one_processor_until_they_are_given_all_again():
    seen = []

    def serve():
        processor.keep_to_one()
        inner = threading.Thread(target=lambda: seen.append(len(os.sched_getaffinity(0))))
        inner.start()
        inner.join()
        processor.use_all()
        seen.append(os.sched_getaffinity(0))

    thread = threading.Thread(target=serve)
    thread.start()
    thread.join()
    assert [1, set(processor._ALL)] == seen
    assert set(processor._ALL) == os.sched_getaffinity(0), "nobody else is moved"
