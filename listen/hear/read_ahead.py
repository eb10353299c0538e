"""The next block read while the last one is worked on."""

from collections.abc import Generator, Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor

from listen.blocks import Block


def read_ahead(blocks: Iterable[Block]) -> Iterator[Block]:
    """The same blocks in the same order, each taken one ahead in a thread of its own.

    What `blocks` raises is raised where its block would have come. The thread ends with the last
    block, or when the iterator is closed; a generator of `blocks` is closed with it.
    """
    source = iter(blocks)
    try:
        with ThreadPoolExecutor(max_workers=1, thread_name_prefix="read ahead") as thread:
            coming = thread.submit(next, source, None)
            while (block := coming.result()) is not None:
                coming = thread.submit(next, source, None)
                yield block
    finally:
        if isinstance(source, Generator):
            source.close()
