"""Reads one page over TLS with nothing but Python's standard library, and tells what came of it as JSON.

    read_secured.py URL CA_FILE AUTHORIZATION

AUTHORIZATION is a header's value, `password TOKEN` for HTTP Basic as a browser sends it, or empty.
"""

import base64
import http.client
import json
import ssl
import sys
import urllib.error
import urllib.request

url, ca, authorization = sys.argv[1:]
context = ssl.create_default_context(cafile=ca)
request = urllib.request.Request(url)
if authorization.startswith("password "):
    pair = "anybody:" + authorization.removeprefix("password ")
    authorization = "Basic " + base64.b64encode(pair.encode()).decode()
if authorization:
    request.add_header("Authorization", authorization)


def told():
    try:
        with urllib.request.urlopen(request, context=context, timeout=20) as answer:
            tls = answer.fp.raw._sock.version() if url.startswith("https") else None
            return {"status": answer.status, "site": json.load(answer)["site"]["id"], "tls": tls}
    except urllib.error.HTTPError as refused:
        return {"status": refused.code, "challenges": refused.headers.get_all("WWW-Authenticate")}
    except urllib.error.URLError as error:
        return {"error": type(error.reason).__name__}
    except (OSError, http.client.HTTPException) as error:
        return {"error": type(error).__name__}


print(json.dumps(told()))
