"""The next input made while the last one is worked on."""

from collections.abc import Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar

Item = TypeVar("Item")


def read_ahead(items: Iterable[Item]) -> Iterator[Item]:
    """The same items in the same order, each taken one ahead in a thread of its own.

    What `items` raises is raised where its item would have come. The thread ends with the last
    item, or when the iterator is closed.
    """
    source = iter(items)
    with ThreadPoolExecutor(max_workers=1, thread_name_prefix="read ahead") as thread:
        coming = thread.submit(next, source, None)
        while (item := coming.result()) is not None:
            coming = thread.submit(next, source, None)
            yield item
