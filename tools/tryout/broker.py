"""The embedded broker, in a process of its own: python -m tools.tryout.broker PORT"""

from __future__ import annotations

import asyncio
import logging
import signal
import sys
from typing import Any, Final

from amqtt.broker import Broker

#: No persistence, anybody may: it listens on this machine only and lives as long as the try-out.
_CONFIG: Final[dict[str, Any]] = {
    "listeners": {"default": {"type": "tcp", "bind": ""}},
    "timeout_disconnect_delay": 2,
    "plugins": {"amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True}},
}


async def serve(port: int) -> None:
    """Until SIGTERM."""
    _CONFIG["listeners"]["default"]["bind"] = f"127.0.0.1:{port}"
    broker = Broker(_CONFIG)
    await broker.start()
    print("listening", flush=True)
    told = asyncio.Event()
    for signum in (signal.SIGTERM, signal.SIGINT):
        asyncio.get_running_loop().add_signal_handler(signum, told.set)
    await told.wait()
    try:
        await asyncio.wait_for(broker.shutdown(), 3)
    except (TimeoutError, asyncio.CancelledError):
        pass


if __name__ == "__main__":
    logging.basicConfig(level=logging.WARNING)
    asyncio.run(serve(int(sys.argv[1])))
