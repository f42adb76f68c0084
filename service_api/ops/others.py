"""Parts of a book that other processes draw."""

from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from functools import partial
from multiprocessing import get_context
from multiprocessing.connection import Connection as Pipe
from typing import Any

from service_api.log.engines import reading_engine
from service_api.ops.parts import Disagrees, Part, Progress
from service_api.ops.processor import use_all
from service_api.ops.shares import little_collected


class Other:
    """A part that another process draws; its error is on stderr."""

    def __init__(self, url: str, book: int, number: int, processes: int) -> None:
        context = get_context("spawn")  # an open store does not outlive a fork
        self.pipe, theirs = context.Pipe()
        self.process = context.Process(target=_draw, args=(theirs, url, book, number, processes), daemon=True)
        self.process.start()
        theirs.close()

    def ask(self, *words: object) -> None:
        self._lasting(lambda: self.pipe.send(words))

    def answer(self, progress: Progress = lambda _: None) -> Any:
        """What it was asked for, once it has come. Raises Disagrees, and RuntimeError when it ended before its time."""
        while isinstance(said := self._lasting(self.pipe.recv), int):
            progress(said)
        if isinstance(said, Exception):
            raise said
        return said

    def _lasting(self, work: Callable[[], Any]) -> Any:
        try:
            return work()
        except (EOFError, BrokenPipeError, ConnectionResetError):
            raise RuntimeError("a process that drew ended before its time") from None

    def close(self) -> None:
        self.pipe.close()
        self.process.terminate()
        self.process.join()


@contextmanager
def others_drawing(url: str, book: int, processes: int) -> Iterator[list[Other]]:
    if processes > 1:
        use_all()  # a service that does this for a command keeps itself to one processor, and so would they
    others: list[Other] = []
    try:
        for number in range(1, processes):
            others.append(Other(url, book, number, processes))
        yield others
    finally:
        for other in others:
            other.close()


def _draw(pipe: Pipe, url: str, book: int, number: int, processes: int) -> None:
    """Do what a part is asked, until nobody asks."""
    engine = reading_engine(url)
    with closing(pipe), engine.connect() as connection, little_collected():
        part, within = Part(connection, book, number, processes), connection.begin
        does: dict[str, Callable[..., Any]] = {
            "draw": partial(part.draw, progress=pipe.send, within=within),
            "correct": part.correct,
            "settle": partial(part.settle, within=within),
        }
        while True:
            try:
                word, *arguments = pipe.recv()
            except EOFError:
                return
            try:
                pipe.send(does[word](*arguments))
            except (Disagrees, LookupError, TypeError, ValueError) as error:
                pipe.send(error)
