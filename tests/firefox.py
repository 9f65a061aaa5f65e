"""A headless Firefox driven by WebDriver BiDi (W3C), with the few calls that the page's tests use.

Debian has no driver program for Firefox, and the browser needs none: it speaks the protocol itself
once it is started with ``--remote-debugging-port``. Names of calls follow selenium's, so that the
same tests run in both browsers. Nothing is sent anywhere: every address goes to a closed port.
"""

from __future__ import annotations

import json
import re
import subprocess
import time
from pathlib import Path
from typing import Any

PATIENCE_S = 30.0  # chosen: a loaded machine starts a browser late
_PREFS = {
    "network.proxy.type": 1,  # by hand: to a port where nothing listens
    "network.proxy.http": "127.0.0.1",
    "network.proxy.http_port": 9,
    "network.proxy.ssl": "127.0.0.1",
    "network.proxy.ssl_port": 9,
    "network.proxy.allow_hijacking_localhost": False,
    "media.volume_scale": "0.0",
    "media.cubeb.force_mock_context": True,  # as loud: no output device is needed
    "browser.shell.checkDefaultBrowser": False,
    "browser.aboutwelcome.enabled": False,
    "datareporting.policy.dataSubmissionEnabled": False,
    "toolkit.telemetry.enabled": False,
    "app.update.enabled": False,
    "browser.download.folderList": 2,
    "browser.download.useDownloadDir": True,
    "print.always_print_silent": True,
}
# Scrolls an element into sight, and waits until it no longer moves.
_AT_REST = """
const [one, done] = arguments;
let was = null;
one.scrollIntoView({block: 'center', behavior: 'instant'});
const look = () => {
  const at = one.getBoundingClientRect().top;
  if (at === was) done(at); else { was = at; setTimeout(look, 60); }
};
look();
"""


class Element:
    """A node of the page."""

    def __init__(self, page: Firefox, node: dict[str, Any]) -> None:
        self.page, self.node = page, node

    def click(self) -> None:
        """Press it in its middle, once the page has come to rest with it in sight."""
        origin = {"type": "element", "element": {"sharedId": self.node["sharedId"]}}
        press = [
            {"type": "pointerMove", "x": 0, "y": 0, "origin": origin},
            {"type": "pointerDown", "button": 0},
            {"type": "pointerUp", "button": 0},
        ]
        end = time.monotonic() + PATIENCE_S
        while True:
            self.page.execute_async_script(_AT_REST, self)
            try:
                return self.page.act("pointer", press)
            except RuntimeError as error:
                if "out of bounds" not in str(error) or time.monotonic() > end:
                    raise
                time.sleep(0.1)

    @property
    def text(self) -> str:
        return str(self.page.execute_script("return arguments[0].innerText", self)).strip()

    def get_attribute(self, name: str) -> str | None:
        script = "return arguments[0].getAttribute(arguments[1])"
        found = self.page.execute_script(script, self, name)
        return None if found is None else str(found)

    def send_keys(self, text: str) -> None:
        self.page.execute_script("arguments[0].focus()", self)
        self.page.send_keys(text)


class Firefox:
    """One browser with one page."""

    name = "firefox"

    def __init__(self, program: str, profile: Path) -> None:
        import websocket

        lines = [f"user_pref({json.dumps(k)}, {json.dumps(v)});" for k, v in _PREFS.items()]
        (profile / "user.js").write_text("\n".join(lines), encoding="utf-8")
        self._program = subprocess.Popen(
            [program, "--headless", "--no-remote", "--profile", str(profile),
             "--remote-debugging-port", "0"],
            stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True,
            env={"HOME": str(profile), "PATH": "/usr/bin:/bin", "MOZ_HEADLESS": "1"},
        )  # fmt: skip
        assert self._program.stderr is not None
        address = ""
        for line in self._program.stderr:
            if found := re.search(r"WebDriver BiDi listening on (ws://\S+)", line):
                address = found[1]
                break
        if not address:
            raise RuntimeError("Firefox did not say where it listens")
        self._socket = websocket.create_connection(
            f"{address}/session", timeout=PATIENCE_S, suppress_origin=True
        )
        self._number = 0
        self.events: list[dict[str, Any]] = []
        self.call("session.new", capabilities={})
        wanted = ["log.entryAdded", "network.beforeRequestSent"]
        self.call("session.subscribe", events=wanted)
        self._tab = self.call("browsingContext.getTree")["contexts"][0]["context"]

    def quit(self) -> None:
        self._socket.close()
        self._program.terminate()
        self._program.wait(timeout=PATIENCE_S)
        if self._program.stderr is not None:
            self._program.stderr.close()

    def call(self, method: str, **params: Any) -> dict[str, Any]:
        """Send one command and wait for its result; events on the way are kept."""
        self._number += 1
        self._socket.send(json.dumps({"id": self._number, "method": method, "params": params}))
        end = time.monotonic() + PATIENCE_S
        while time.monotonic() < end:
            told = json.loads(self._socket.recv())
            if told.get("id") == self._number:
                if told["type"] == "error":
                    raise RuntimeError(f"{method}: {told['error']}: {told['message']}")
                return dict(told["result"])
            if told["type"] == "event":
                self.events.append(told)
        raise TimeoutError(method)

    def tab(self, method: str, **params: Any) -> dict[str, Any]:
        """Send a command about the one page."""
        return self.call(method, context=self._tab, **params)

    def told(self, method: str) -> list[dict[str, Any]]:
        """Take what events of a kind said since they were last taken."""
        self.call("session.status")  # whatever was on its way has arrived before the answer
        found = [e["params"] for e in self.events if e["method"] == method]
        self.events = [e for e in self.events if e["method"] != method]
        return found

    # ------------------------------------------------------------ as selenium has it

    def get(self, url: str) -> None:
        self.tab("browsingContext.navigate", url=url, wait="complete")

    def refresh(self) -> None:
        self.tab("browsingContext.reload", wait="complete")

    @property
    def current_url(self) -> str:
        return str(self.call("browsingContext.getTree", root=self._tab)["contexts"][0]["url"])

    def execute_script(self, script: str, *arguments: Any) -> Any:
        """Run the body of a function in the page; what it returns comes back as plain data."""
        return self._ran(f"function () {{ {script} }}", arguments)

    def execute_async_script(self, script: str, *arguments: Any) -> Any:
        """As `execute_script`; the last argument is a function that ends it."""
        body = f"function (...a) {{ return new Promise((done) => (function () {{ {script} }})"
        return self._ran(f"{body}.apply(null, [...a, done])) }}", arguments)

    def find_element(self, by: str, value: str) -> Element:
        found = self.tab(
            "browsingContext.locateNodes",
            locator={"type": "css", "value": f"#{value}" if by == "id" else value},
        )["nodes"]
        if not found:
            raise LookupError(value)
        return Element(self, found[0])

    def send_keys(self, text: str) -> None:
        """Type with real key strokes."""
        strokes = [
            {"type": kind, "value": "\ue007" if letter == "\n" else letter}
            for letter in text
            for kind in ("keyDown", "keyUp")
        ]
        self.act("key", strokes)

    def act(self, kind: str, actions: list[dict[str, Any]]) -> None:
        self.tab("input.performActions", actions=[{"type": kind, "id": kind, "actions": actions}])

    def _ran(self, function: str, arguments: tuple[Any, ...]) -> Any:
        given = [
            {"sharedId": a.node["sharedId"]}
            if isinstance(a, Element)
            else {"type": "string", "value": str(a)}
            for a in arguments
        ]
        told = self.call(
            "script.callFunction",
            functionDeclaration="async function () { const value = await ("
            + function
            + ").apply(null, arguments); return JSON.stringify(value) ?? 'null'; }",
            awaitPromise=True,
            target={"context": self._tab},
            arguments=given,
            userActivation=False,
        )
        if told["type"] == "exception":
            raise RuntimeError(told["exceptionDetails"]["text"])
        return json.loads(told["result"]["value"])
