"""Opens pages in a headless browser over its debugging pipe and prints, as JSON, how each is laid out.

usage: browser.py BROWSER FOLDER PAGE...

For each page, two widths, light and dark: what scrolls sideways, which texts meet, what the console says; a picture of each in FOLDER.
Then the page on paper, A4 and Letter, as PDF in FOLDER. The browser reads files only and is asked to reach nobody.
"""

import base64
import json
import os
import pathlib
import subprocess
import sys
import tempfile

FLAGS = [
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync", "--disable-extensions", "--disable-dev-shm-usage", "--no-proxy-server",
    "--host-resolver-rules=MAP * ~NOTFOUND", "--hide-scrollbars", "--remote-debugging-pipe",
]

# Boxes of what holds text itself; two of them meet when neither holds the other and they share more than a hair.
MEASURE = r"""
(() => {
  const found = {scrolls: document.documentElement.scrollWidth - document.documentElement.clientWidth, meet: [], outside: [], tiny: []};
  const words = e => (e.textContent || '').trim().slice(0, 40);
  const own = e => [...e.childNodes].some(n => n.nodeType === 3 && n.textContent.trim());
  const shown = e => { const r = e.getBoundingClientRect(); return r.width > 1.5 && r.height > 1.5; };
  const meets = (a, b) => Math.min(a.right, b.right) - Math.max(a.left, b.left) > 1 && Math.min(a.bottom, b.bottom) - Math.max(a.top, b.top) > 1;
  const pairs = (all, of) => all.forEach((a, i) => all.slice(i + 1).forEach(b => {
    if (!a.e.contains(b.e) && !b.e.contains(a.e) && meets(a.r, b.r)) found.meet.push([of, words(a.e), words(b.e)]);
  }));
  const boxed = list => [...list].filter(shown).map(e => ({e, r: e.getBoundingClientRect()}));
  const blocks = boxed([...document.querySelectorAll('h1,h2,h3,p,li,dt,dd,th,td,a,svg,figure,.word,.headline')].filter(e => e.tagName === 'svg' || own(e)));
  pairs(blocks, 'page');
  const wide = document.documentElement.clientWidth + 0.5;
  blocks.forEach(b => { if (b.r.right > wide || b.r.left < -0.5) found.outside.push(words(b.e)); });
  document.querySelectorAll('svg').forEach(svg => {
    const frame = svg.getBoundingClientRect();
    const texts = boxed(svg.querySelectorAll('text'));
    // A line's box is taller than its letters: half a letter of air is taken off.
    texts.forEach(t => { const h = t.r.height; t.r = {left: t.r.left, right: t.r.right, top: t.r.top + h * 0.2, bottom: t.r.bottom - h * 0.2}; });
    pairs(texts, svg.id || svg.parentElement.id);
    texts.forEach(t => {
      if (t.r.left < frame.left - 1 || t.r.right > frame.right + 1 || t.r.bottom > frame.bottom + 1) found.outside.push(words(t.e));
      const size = parseFloat(getComputedStyle(t.e).fontSize) * frame.width / svg.viewBox.baseVal.width;
      if (size < 10) found.tiny.push([words(t.e), size]);
    });
  });
  found.pictures = document.querySelectorAll('svg').length;
  found.height = document.documentElement.scrollHeight;
  found.ground = getComputedStyle(document.documentElement).backgroundColor;
  found.levels = [...document.querySelectorAll('h1,h2,h3,h4')].map(h => +h.tagName[1]);
  found.scripts = document.scripts.length;
  return JSON.stringify(found);
})()
"""


class Browser:
    """One browser, commands and answers ended by a zero octet."""

    def __init__(self, program):
        self.folder = tempfile.TemporaryDirectory()
        to_read, self.to = os.pipe()
        self.back, back_write = os.pipe()
        command = [program, *FLAGS, f"--user-data-dir={self.folder.name}", "about:blank"]
        # The browser reads from 3 and writes to 4.
        line = f'exec 3<&{to_read} 4>&{back_write}; exec "$@"'
        self.process = subprocess.Popen(
            ["bash", "-c", line, "browser", *command], pass_fds=(to_read, back_write),
            stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )
        os.close(to_read)
        os.close(back_write)
        self.rest, self.number, self.said = b"", 0, []

    def message(self):
        while b"\0" not in self.rest:
            more = os.read(self.back, 1 << 20)
            if not more:
                raise SystemExit("the browser ended")
            self.rest += more
        one, self.rest = self.rest.split(b"\0", 1)
        return json.loads(one)

    def ask(self, method, session=None, **params):
        self.number += 1
        number = self.number
        asked = {"id": number, "method": method, "params": params}
        if session:
            asked["sessionId"] = session
        os.write(self.to, json.dumps(asked).encode() + b"\0")
        while True:
            got = self.message()
            if got.get("id") == number:
                if "error" in got:
                    raise SystemExit(f"{method}: {got['error']}")
                return got["result"]
            self.said.append(got)

    def wait(self, method):
        while not any(one.get("method") == method for one in self.said):
            self.said.append(self.message())

    def end(self):
        self.ask("Browser.close")
        self.process.wait(timeout=20)
        self.folder.cleanup()


def look(browser, page, folder):
    target = browser.ask("Target.createTarget", url="about:blank")["targetId"]
    session = browser.ask("Target.attachToTarget", targetId=target, flatten=True)["sessionId"]
    for domain in ("Page", "Runtime", "Log", "Network"):
        browser.ask(f"{domain}.enable", session)
    name, looks = pathlib.Path(page).stem, []
    for width in (360, 1280):
        for scheme in ("light", "dark"):
            browser.said.clear()
            browser.ask("Emulation.setDeviceMetricsOverride", session, width=width, height=800, deviceScaleFactor=1, mobile=width < 500)
            browser.ask("Emulation.setEmulatedMedia", session, features=[{"name": "prefers-color-scheme", "value": scheme}])
            browser.ask("Page.navigate", session, url=pathlib.Path(page).resolve().as_uri())
            browser.wait("Page.loadEventFired")
            found = json.loads(browser.ask("Runtime.evaluate", session, expression=MEASURE)["result"]["value"])
            shot = browser.ask("Page.captureScreenshot", session, captureBeyondViewport=True,
                               clip={"x": 0, "y": 0, "width": width, "height": min(found["height"], 16000), "scale": 1})
            pathlib.Path(folder, f"{name}-{width}-{scheme}.png").write_bytes(base64.b64decode(shot["data"]))
            said = [one for one in browser.said if one.get("method") in ("Runtime.consoleAPICalled", "Runtime.exceptionThrown", "Log.entryAdded")]
            asked = [one["params"]["request"]["url"] for one in browser.said if one.get("method") == "Network.requestWillBeSent"]
            looks.append({**found, "width": width, "scheme": scheme, "console": said, "asked": [url for url in asked if not url.startswith("file:")]})
    papers = {}
    for paper, (width, height) in {"a4": (8.27, 11.69), "letter": (8.5, 11)}.items():
        printed = browser.ask("Page.printToPDF", session, paperWidth=width, paperHeight=height, printBackground=False, preferCSSPageSize=False)
        file = pathlib.Path(folder, f"{name}-{paper}.pdf")
        file.write_bytes(base64.b64decode(printed["data"]))
        papers[paper] = str(file)
    browser.ask("Target.closeTarget", targetId=target)
    return {"page": page, "looks": looks, "papers": papers}


def main():
    program, folder, *pages = sys.argv[1:]
    browser = Browser(program)
    try:
        print(json.dumps([look(browser, page, folder) for page in pages]))
    finally:
        browser.end()


main()
