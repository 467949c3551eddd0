"""The page of the queue in Chromium, by keyboard alone, wide and narrow, dark and light.

    page_by_keys.py ADDRESS JOB_FILE FOLDER

Hands JOB_FILE in, opens it, measures its wood again, all with keys; prints what was seen as JSON and leaves a screenshot of each look in
FOLDER. Contrast is the ratio of WCAG 2.2, "relative luminance" and "contrast ratio".
Chromium is driven by its DevTools protocol.
"""

import asyncio
import base64
import json
import subprocess
import sys
import time
import urllib.request
from pathlib import Path

import websockets

# The text of the least contrast and its ratio, over every element that shows text of its own.
CONTRAST = """(() => {
  const part = (c) => (c /= 255, c <= 0.04045 ? c / 12.92 : ((c + 0.055) / 1.055) ** 2.4);
  const rgba = (s) => s.match(/[\\d.]+/g).map(Number);
  const light = ([r, g, b]) => 0.2126 * part(r) + 0.7152 * part(g) + 0.0722 * part(b);
  let least = [99, ""];
  for (const e of document.querySelectorAll("body *")) {
    const own = [...e.childNodes].some((n) => n.nodeType === 3 && n.textContent.trim());
    if (!own || !e.checkVisibility() || e.disabled) continue;
    let below = e, back;
    do { back = rgba(getComputedStyle(below).backgroundColor); below = below.parentElement; } while (below && back[3] === 0);
    const [a, b] = [light(rgba(getComputedStyle(e).color)), light(back)];
    const ratio = (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05);
    if (ratio < least[0]) least = [ratio, e.textContent.slice(0, 60)];
  }
  return least;
})()"""
ACTIVE = '(document.activeElement.id || document.activeElement.tagName) + ": " + document.activeElement.textContent.trim().slice(0, 60)'
KEYS = {"Tab": 9, "Enter": 13}
PATIENCE = 60.0


class Browser:
    def __init__(self, socket):
        self.socket, self.count = socket, 0

    async def call(self, method, **params):
        self.count += 1
        await self.socket.send(json.dumps({"id": self.count, "method": method, "params": params}))
        while True:
            answer = json.loads(await self.socket.recv())
            if answer.get("id") == self.count:
                if "error" in answer:
                    raise RuntimeError(f"{method}: {answer['error']}")
                return answer["result"]

    async def value(self, expression):
        result = await self.call("Runtime.evaluate", expression=expression, returnByValue=True)
        if "exceptionDetails" in result:
            raise RuntimeError(f"{expression}: {result['exceptionDetails']}")
        return result["result"].get("value")

    async def until(self, expression):
        end = time.monotonic() + PATIENCE
        while not await self.value(f"!!({expression})"):
            if time.monotonic() > end:
                raise RuntimeError(f"never true: {expression}; the page says {await self.value('document.body.innerText')}")
            await asyncio.sleep(0.1)

    async def key(self, name):
        key = {"key": name, "code": name, "windowsVirtualKeyCode": KEYS[name]}
        text = {"text": "\r"} if name == "Enter" else {}
        await self.call("Input.dispatchKeyEvent", type="keyDown", **key, **text)
        await self.call("Input.dispatchKeyEvent", type="keyUp", **key)

    async def tab_to(self, words):
        """Tabs until what has the focus names the words; every stop on the way."""
        stops = []
        for _ in range(80):
            await self.key("Tab")
            stops.append(await self.value(ACTIVE))
            if words in stops[-1]:
                return stops
        raise RuntimeError(f"no tab stop has {words!r}: {stops}")


async def seen(browser, address, job_file, folder):
    told = {"looks": []}
    name = json.loads(job_file.read_text())["name"]
    for width, scheme in ((1100, "light"), (1100, "dark"), (390, "dark"), (390, "light")):
        await browser.call("Emulation.setDeviceMetricsOverride", width=width, height=900, deviceScaleFactor=1, mobile=width < 500)
        await browser.call("Emulation.setEmulatedMedia", features=[{"name": "prefers-color-scheme", "value": scheme}])
        await browser.call("Page.navigate", url="about:blank")
        await browser.call("Page.navigate", url=address)
        await browser.until("document.getElementById('line') && document.getElementById('line').textContent !== 'Looking…'")
        if not told["looks"]:
            await browser.tab_to("files: ")
            # The system's own dialogue of files is not part of the page: what it hands over is put there.
            root = await browser.call("DOM.getDocument")
            field = await browser.call("DOM.querySelector", nodeId=root["root"]["nodeId"], selector="#files")
            await browser.call("DOM.setFileInputFiles", nodeId=field["nodeId"], files=[str(job_file)])
            await browser.tab_to("send: ")
            # Pressed twice, as hands do: one job all the same.
            await browser.key("Enter")
            await browser.key("Enter")
            await browser.until("document.querySelector('#job h2')")
            told["opened"] = await browser.value(ACTIVE)
        else:
            await browser.tab_to(name)
            await browser.key("Enter")
        await browser.until("document.querySelector('#job figure img[src]')")
        height = await browser.value("document.documentElement.scrollHeight")
        contrast, text = await browser.value(CONTRAST)
        told["looks"].append({
            "width": width, "scheme": scheme, "contrast": contrast, "text": text,
            "focus": await browser.value(ACTIVE),
            "wide": await browser.value("document.documentElement.scrollWidth"),
            "code": await browser.value("document.querySelector('#job .code').textContent"),
        })
        await browser.call("Emulation.setDeviceMetricsOverride", width=width, height=min(height, 4000), deviceScaleFactor=1, mobile=width < 500)
        picture = await browser.call("Page.captureScreenshot")
        (folder / f"{width}-{scheme}.png").write_bytes(base64.b64decode(picture["data"]))
    told["stops"] = await browser.tab_to("thickness: ")
    await browser.call("Input.insertText", text="18.6mm")
    await browser.key("Enter")
    old = told["looks"][0]["code"]
    await browser.until(f"document.querySelector('#job .code').textContent !== {json.dumps(old)}")
    await browser.until("document.querySelector('#job .state.ready')")
    told["new"] = await browser.value("document.querySelector('#job .code').textContent")
    await browser.tab_to(old)
    await browser.key("Enter")
    await browser.until("document.querySelector('#job .stale')")
    told["stale"] = await browser.value("document.querySelector('#job .stale').innerText")
    await browser.tab_to("Show the job that replaced them")
    await browser.key("Enter")
    await browser.until(f"document.querySelector('#job .code').textContent === {json.dumps(told['new'])}")
    told["handed-in"] = await browser.value("[...document.querySelectorAll('#jobs .when')].map((w) => w.textContent)")
    await browser.call("Emulation.setDeviceMetricsOverride", width=390, height=900, deviceScaleFactor=1, mobile=True)
    await browser.call("Page.navigate", url=f"{address}v1/night-report?as=html")
    await browser.until("document.querySelector('table')")
    told["night"] = await browser.value("document.documentElement.scrollWidth")
    picture = await browser.call("Page.captureScreenshot")
    (folder / "night-390.png").write_bytes(base64.b64decode(picture["data"]))
    return told


async def main():
    address, job_file, folder = sys.argv[1], Path(sys.argv[2]), Path(sys.argv[3])
    command = ["chromium", "--headless=new", "--no-sandbox", "--disable-gpu", "--remote-debugging-port=0", f"--user-data-dir={folder / 'profile'}", "about:blank"]
    process = subprocess.Popen(command, stderr=subprocess.DEVNULL, stdout=subprocess.DEVNULL)
    try:
        port = folder / "profile" / "DevToolsActivePort"
        end = time.monotonic() + PATIENCE
        while not (port.exists() and port.read_text().strip()):
            if time.monotonic() > end:
                raise RuntimeError("Chromium does not start")
            await asyncio.sleep(0.1)
        listed = f"http://127.0.0.1:{port.read_text().splitlines()[0]}/json"
        tabs = json.load(urllib.request.build_opener(urllib.request.ProxyHandler({})).open(listed, timeout=30))
        page = next(t for t in tabs if t["type"] == "page")
        async with websockets.connect(page["webSocketDebuggerUrl"], max_size=None, proxy=None) as socket:
            browser = Browser(socket)
            await browser.call("Page.enable")
            print(json.dumps(await seen(browser, address, job_file, folder)))
    finally:
        process.terminate()
        process.wait(timeout=30)


asyncio.run(main())
