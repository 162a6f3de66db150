"""Takes a picture of a page in a browser, and says how much it is like an earlier one, as one line of JSON.

    picture.py URL NEW.png OLD.png

`unlike` is the mean difference of the two in brightness, 0 to 1, after both have been shrunk until letters and digits
are gone and only the arrangement is left; null when there is no earlier one. It ends when its standard input does.
"""

import base64
import json
import sys
from pathlib import Path

WIDTH, HEIGHT = 1280, 900

COMPARE = """
const [one, other, told] = arguments;
const small = async data => {
  const image = new Image();
  image.src = "data:image/png;base64," + data;
  await image.decode();
  const canvas = document.createElement("canvas");
  [canvas.width, canvas.height] = [32, 24];
  const paper = canvas.getContext("2d");
  paper.imageSmoothingQuality = "high";
  paper.drawImage(image, 0, 0, 32, 24);
  const pixels = paper.getImageData(0, 0, 32, 24).data;
  const gray = [];
  for (let at = 0; at < pixels.length; at += 4) gray.push((pixels[at] + pixels[at + 1] + pixels[at + 2]) / 765);
  return [image.width, image.height, gray];
};
(async () => {
  const [[width, height, now], [old_width, old_height, before]] = [await small(one), await small(other)];
  const unlike = now.reduce((sum, gray, at) => sum + Math.abs(gray - before[at]), 0) / now.length;
  const mean = now.reduce((sum, gray) => sum + gray, 0) / now.length;
  const spread = Math.sqrt(now.reduce((sum, gray) => sum + (gray - mean) ** 2, 0) / now.length);
  told({size: [width, height], old_size: [old_width, old_height], unlike, spread});
})().catch(error => told({error: String(error)}));
"""


def picture(url, new, old):
    from selenium import webdriver

    options = webdriver.ChromeOptions()
    options.binary_location = "/usr/bin/chromium"
    for argument in ["--headless=new", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage", "--hide-scrollbars"]:
        options.add_argument(argument)
    browser = webdriver.Chrome(options=options, service=webdriver.ChromeService("/usr/bin/chromedriver"))
    try:
        light = [{"name": "prefers-color-scheme", "value": "light"}]
        browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": light})
        screen = {"width": WIDTH, "height": HEIGHT, "deviceScaleFactor": 1, "mobile": False}
        browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", screen)
        browser.get(url)
        taken = browser.execute_cdp_cmd("Page.captureScreenshot", {"format": "png"})["data"]
        Path(new).write_bytes(base64.b64decode(taken))
        before = Path(old)
        earlier = base64.b64encode(before.read_bytes()).decode() if before.exists() else taken
        browser.get("about:blank")
        browser.set_script_timeout(60)
        return browser.execute_async_script(COMPARE, taken, earlier)
    finally:
        browser.quit()


print(json.dumps(picture(*sys.argv[1:])), flush=True)
sys.stdin.read()
