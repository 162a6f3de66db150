"""Reads siskin's HTTP face with software that siskin did not write, and tells what it found as one line of JSON.

    faces.py metrics URL    every sample of /metrics, as the OpenMetrics parser of prometheus_client reads it
    faces.py fuzz URL       questions that schemathesis makes up out of /api/v1/openapi.json, and what breaks it
    faces.py page URL       every page in a browser at two widths, light and dark, judged by axe-core
    faces.py windows URL    the page in more windows of one browser than that opens connections

It ends when its standard input does.
"""

import json
import sys
import urllib.request


EXAMPLES_PER_PATH = 40
WINDOWS = 8


def metrics(url):
    from prometheus_client.openmetrics.parser import text_string_to_metric_families

    with urllib.request.urlopen(url + "/metrics") as answer:
        text = answer.read().decode()
    families = list(text_string_to_metric_families(text))
    return {
        "families": [{"name": f.name, "type": f.type, "unit": f.unit, "help": f.documentation} for f in families],
        "samples": [[s.name, s.labels, s.value] for f in families for s in f.samples],
    }


def fuzz(url):
    import hypothesis
    import schemathesis

    schema = schemathesis.openapi.from_url(url + "/api/v1/openapi.json")
    with urllib.request.urlopen(url + "/api/v1/status") as answer:
        status = json.load(answer)
    known = {"signals": status["signals"][0]["id"], "alarms": status["alarms"][0]["id"]}
    told = {"asked": 0, "paths": {}, "faults": []}
    patience = hypothesis.settings(
        max_examples=EXAMPLES_PER_PATH, deadline=None, database=None, derandomize=True,
        suppress_health_check=list(hypothesis.HealthCheck), phases=[hypothesis.Phase.explicit, hypothesis.Phase.generate],
    )
    for found in schema.get_all_operations():
        operation = found.ok()
        if operation.path == "/api/v1/stream":
            continue  # It has no end; its own tests read it.

        @hypothesis.given(case=operation.as_strategy())
        @patience
        def ask(case):
            told["asked"] += 1
            if case.path_parameters and told["asked"] % 2:  # Made-up names alone would only ever find nothing.
                case.path_parameters["id"] = known[operation.path.split("/")[3]]
            answer = case.call(timeout=30)
            codes = told["paths"].setdefault(operation.path, {})
            codes[answer.status_code] = codes.get(answer.status_code, 0) + 1
            if answer.status_code >= 500:
                raise AssertionError(f"{answer.status_code}: {answer.text[:300]}")
            case.validate_response(answer, checks=[
                schemathesis.checks.not_a_server_error,
                schemathesis.specs.openapi.checks.status_code_conformance,
                schemathesis.specs.openapi.checks.content_type_conformance,
                schemathesis.specs.openapi.checks.response_schema_conformance,
            ])

        try:
            ask()
        except BaseException as fault:  # A failure is a group of failures here.
            told["faults"].append(f"{operation.path}: {fault}"[:1000])
    return told


def started_browser():
    from selenium import webdriver

    options = webdriver.ChromeOptions()
    options.binary_location = "/usr/bin/chromium"
    for argument in ["--headless=new", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage"]:
        options.add_argument(argument)
    return webdriver.Chrome(options=options, service=webdriver.ChromeService("/usr/bin/chromedriver"))


def windows(url):
    """Opens them all, then has each renew itself, and tells which of them do not."""
    from selenium.webdriver.support.ui import WebDriverWait

    browser = started_browser()
    told = {"windows": 0, "hidden": 0, "not_renewed": [], "streams": 0}
    try:
        browser.set_page_load_timeout(30)
        for number in range(WINDOWS):
            if number:
                browser.switch_to.new_window("window")
            browser.get(url + "/")
            told["windows"] += 1
        # Each window has found by now whether enough others listen, and the first have asked again.
        for handle in browser.window_handles:
            browser.switch_to.window(handle)
            shown = browser.execute_script("return document.querySelector('.asof').textContent")
            renewed = "return document.querySelector('.asof').textContent"
            try:
                WebDriverWait(browser, 30).until(lambda window: window.execute_script(renewed) != shown)
            except Exception as fault:
                told["not_renewed"].append(str(fault)[:200])
            told["hidden"] += browser.execute_script("return document.hidden")
            told["streams"] += browser.execute_script(
                "return performance.getEntriesByType('resource').filter(r => r.name.includes('/stream')).length")
    finally:
        browser.quit()
    return told


def page(url):
    from pathlib import Path

    import axe_core_python

    browser = started_browser()
    axe = Path(axe_core_python.__file__).with_name("axe.min.js").read_text()
    seen = []
    with urllib.request.urlopen(url + "/api/v1/status") as answer:
        status = json.load(answer)
    paths = ["/", "/journal", "/performance"]
    paths += ["/signals/" + status["signals"][0]["id"], "/alarms/" + status["alarms"][0]["id"]]
    try:
        for scheme, width in [("light", 360), ("dark", 1920), ("dark", 360)]:
            scheme_features = [{"name": "prefers-color-scheme", "value": scheme}]
            browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": scheme_features})
            screen = {"width": width, "height": 900, "deviceScaleFactor": 1, "mobile": width < 500}
            browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", screen)
            for path in paths if scheme == "light" or width > 360 else paths[:1]:
                browser.get(url + path)
                browser.execute_script(axe)
                found = browser.execute_async_script("const told = arguments[0]; axe.run().then(told)")
                seen.append({
                    "path": path, "scheme": scheme, "width": width,
                    "wide": browser.execute_script("return document.documentElement.scrollWidth"),
                    "from_elsewhere": browser.execute_script(
                        "return performance.getEntriesByType('resource').map(r => r.name)"
                        ".filter(name => !name.startsWith(location.origin))"),
                    "stray_dots": browser.execute_script(
                        "return [...document.querySelectorAll('.stack td.seq + td')]"
                        ".filter(cell => getComputedStyle(cell, '::before').content != 'none').length"),
                    "passes": len(found["passes"]),
                    "faults": [
                        {"rule": fault["id"], "impact": fault["impact"],
                         "where": [node["html"][:200] for node in fault["nodes"][:3]]}
                        for fault in found["violations"]
                    ],
                })
    finally:
        browser.quit()
    return seen


if __name__ == "__main__":
    work, url = sys.argv[1:]
    print(json.dumps({"metrics": metrics, "fuzz": fuzz, "page": page, "windows": windows}[work](url)), flush=True)
    sys.stdin.read()
