"""The server of the code-free page. The only file that knows Voilà; it fetches nothing and serves no files."""

from __future__ import annotations

import ssl
import webbrowser
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from traitlets.config import Config
from voila.app import Voila
from voila.shutdown_kernel_handler import VoilaShutdownKernelHandler

from diagnb.cli.listening import Listening


class PageLeft(VoilaShutdownKernelHandler):  # type: ignore[misc]
    """Ends the kernel of a page that is closed or loaded again, so that it lets go of its sheet."""

    def check_xsrf_cookie(self) -> None:
        """A page that is being left can't send this header; the random number of its kernel stands for it."""


class PageServer(Voila):  # type: ignore[misc]
    """Voilà with an encrypted line where others may reach it, on exactly the port that was asked for."""

    place: Listening
    said: Sequence[str] = ()
    opens: bool = False

    def init_handlers(self) -> list[Any]:
        """Voilà's own, but a page that is left may end its kernel."""
        return [
            (entry[0], PageLeft, *entry[2:]) if entry[1] is VoilaShutdownKernelHandler else entry
            for entry in super().init_handlers()
        ]

    def listen(self) -> None:
        """Listen, say where, and run until stopped."""
        import tornado.ioloop

        context: ssl.SSLContext | None = None
        if self.place.certificate is not None:
            context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
            context.minimum_version = ssl.TLSVersion.TLSv1_2
            context.load_cert_chain(self.place.certificate, self.place.key)
        self.app.listen(self.place.port, self.place.address, ssl_options=context)
        for line in self.said:
            print(line, flush=True)
        if self.opens:
            webbrowser.open(self.place.page)
        self.ioloop: Any = tornado.ioloop.IOLoop.current()
        try:
            self.ioloop.start()
        except KeyboardInterrupt:
            pass
        finally:
            self.stop()


def serve(notebook: Path, *, place: Listening, open_browser: bool, say: Sequence[str]) -> int:
    """Serve this notebook as a page until Ctrl+C or the end of this process. Returns the exit status."""
    arguments = [
        str(notebook),
        f"--Voila.ip={place.address}",
        f"--Voila.port={place.port}",
        "--Voila.log_level=WARN",
        "--Voila.open_browser=False",
        "--VoilaConfiguration.template=diagnb",
        f"--Voila.token={place.token}",
        f"--PasswordIdentityProvider.hashed_password={place.password_hash}",
    ]
    server = PageServer.instance(config=Config({"VoilaConfiguration": {"file_allowlist": []}}))
    server.place, server.said, server.opens = place, say, open_browser
    server.initialize(arguments)
    server.start()
    return 0
