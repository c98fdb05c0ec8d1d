"""A session for code that is not async: notebooks, the prompt, plain tests.

    with bench.blocking("sim:") as session:
        run = session.inspect("tandem-53ft")

It has a loop of its own, which runs while a call lasts: on virtual time for a simulated board in process. Between
calls nothing runs and the board is not held. Interrupted, a call cancels its run first, which leaves outputs off.
"""

import asyncio
from collections.abc import Callable, Coroutine
from functools import wraps
from typing import Any, Concatenate, Generic, ParamSpec, Self, TypeVar

from bench.app.connecting import connect
from bench.app.session import Session
from bench.contract.readings import Identity
from bench.link import parse_board_url
from bench.virtual_time import VirtualTimeLoop
from bench.wall_time import fine_loop

P = ParamSpec("P")
R = TypeVar("R")


class _Blocking(Generic[P, R]):
    """A method of ``Session`` that is called without ``await``; it keeps its signature."""

    def __init__(self, method: Callable[Concatenate[Session, P], Coroutine[Any, Any, R]]) -> None:
        self._method = method
        self.__doc__ = method.__doc__

    def __get__(self, owner: "BlockingSession", kind: type) -> Callable[P, R]:
        @wraps(self._method)
        def call(*args: P.args, **kwargs: P.kwargs) -> R:
            return owner.wait(self._method(owner.session, *args, **kwargs))

        return call


class _Awaitable(Generic[P, R]):
    """The same, awaited on another loop."""

    def __init__(self, method: Callable[Concatenate[Session, P], Coroutine[Any, Any, R]]) -> None:
        self._method = method
        self.__doc__ = method.__doc__

    def __get__(self, owner: "AwaitableSession", kind: type) -> Callable[P, Coroutine[Any, Any, R]]:
        @wraps(self._method)
        async def call(*args: P.args, **kwargs: P.kwargs) -> R:
            return await owner.wait(self._method(owner.session, *args, **kwargs))

        return call


class BlockingSession:
    """What ``Session`` does, each call until it is done.

    Args:
        url: a board URL.
        how: what ``connect`` takes besides.
    """

    def __init__(self, url: str, **how: Any) -> None:
        self._simulated = parse_board_url(url).scheme == "sim"
        self._context = connect(url, **how)
        self._session: Session | None = None

    def __enter__(self) -> Self:
        if asyncio._get_running_loop() is not None:
            raise RuntimeError("this code is async already: use 'async with bench.connect(URL)'")
        self._loop = VirtualTimeLoop() if self._simulated else fine_loop()
        try:
            self._session = self.wait(self._context.__aenter__())
        except BaseException:
            self._close()
            raise
        return self

    def __exit__(self, *how: object) -> None:
        try:
            self.wait(self._context.__aexit__(None, None, None))
        finally:
            self._session = None
            self._close()

    def _close(self) -> None:
        self._loop.run_until_complete(self._loop.shutdown_asyncgens())
        self._loop.run_until_complete(self._loop.shutdown_default_executor())
        self._loop.close()

    # --- running ---

    def start(self, work: Coroutine[Any, Any, R]) -> asyncio.Task[R]:
        """``work``, ready to be finished; nothing of it runs before."""
        return self._loop.create_task(work)

    def finish(self, task: asyncio.Task[R]) -> R:
        """Run until ``task`` is done; interrupted, it is cancelled and has cleaned up before this raises."""
        try:
            return self._loop.run_until_complete(task)
        except BaseException:
            if not task.done():
                task.cancel()
                self._loop.run_until_complete(asyncio.wait({task}))
            raise

    def wait(self, work: Coroutine[Any, Any, R]) -> R:
        """Run ``work`` to its end."""
        return self.finish(self.start(work))

    def cancel(self, task: "asyncio.Task[Any]") -> None:
        """Cancel ``task``, from any thread."""
        self._loop.call_soon_threadsafe(task.cancel)

    # --- what can be done ---

    @property
    def session(self) -> Session:
        """The session behind it; its methods want this object's loop."""
        if self._session is None:
            raise RuntimeError("the session is open inside the block only")
        return self._session

    @property
    def identity(self) -> Identity:
        """Who the board is."""
        return self.session.identity

    inspect = _Blocking(Session.inspect)
    retest = _Blocking(Session.retest)
    walk = _Blocking(Session.walk)
    wiggle = _Blocking(Session.wiggle)
    power = _Blocking(Session.power)
    run = _Blocking(Session.run)
    script = _Blocking(Session.script)
    identify = _Blocking(Session.identify)
    snapshot = _Blocking(Session.snapshot)
    self_test = _Blocking(Session.self_test)


class AwaitableSession:
    """A blocking session, used from any asyncio loop: each call runs in a thread and on time of its own.

    So a simulated board stays as fast as ever, whatever loop the caller is on. A cancelled call has cleaned up
    before it raises. One call at a time.

    Args:
        blocking: entered; closed by whoever made it.
    """

    def __init__(self, blocking: BlockingSession) -> None:
        self._session = blocking

    async def wait(self, work: Coroutine[Any, Any, R]) -> R:
        """Run ``work`` to its end in a thread."""
        task = self._session.start(work)
        done = asyncio.get_running_loop().run_in_executor(None, self._session.finish, task)
        try:
            return await asyncio.shield(done)
        except asyncio.CancelledError:
            self._session.cancel(task)
            await asyncio.wait({done})
            raise

    @property
    def session(self) -> Session:
        """The session behind it; its methods want its own loop."""
        return self._session.session

    @property
    def identity(self) -> Identity:
        """Who the board is."""
        return self._session.identity

    inspect = _Awaitable(Session.inspect)
    retest = _Awaitable(Session.retest)
    walk = _Awaitable(Session.walk)
    wiggle = _Awaitable(Session.wiggle)
    power = _Awaitable(Session.power)
    run = _Awaitable(Session.run)
    script = _Awaitable(Session.script)
    identify = _Awaitable(Session.identify)
    snapshot = _Awaitable(Session.snapshot)
    self_test = _Awaitable(Session.self_test)


blocking = BlockingSession  # reads better where it is entered at once
