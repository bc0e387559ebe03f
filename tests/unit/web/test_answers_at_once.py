"""An answer doesn't wait for its reader to acknowledge the first part of it (Nagle, RFC 896)."""

from __future__ import annotations

import asyncio
import socket

from service.web.server import listen


def test_what_is_written_goes_out_at_once() -> None:
    async def accepted_without_delay() -> int:
        found: asyncio.Future[int] = asyncio.get_running_loop().create_future()

        def answer(_reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
            accepted = writer.get_extra_info("socket")
            found.set_result(accepted.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY))
            writer.close()

        listener = listen("127.0.0.1", 0)
        async with await asyncio.start_server(answer, sock=listener):
            _, writer = await asyncio.open_connection(*listener.getsockname())
            writer.close()
            return await found

    assert asyncio.run(accepted_without_delay()) != 0
