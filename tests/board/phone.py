"""Runs on the board, in the network of a phone: one request over the local network, told as JSON.

phone.py URL [--from ADDRESS] [--token TOKEN] [--certificate FILE] [--post BODY]
phone.py --look-up NAME.local      its address, asked by multicast DNS (RFC 6762)
"""

import argparse
import json
import socket
import ssl
import struct
import urllib.error
import urllib.request
from functools import partial
from http.client import HTTPConnection, HTTPSConnection

PATIENCE_S = 10.0
MULTICAST_DNS = ("224.0.0.251", 5353)


def opened(kind, source, **more):
    """A handler of requests whose connections come from this address."""
    return partial(kind, source_address=(source, 0), **more) if source else partial(kind, **more)


class Plain(urllib.request.HTTPHandler):
    def __init__(self, source):
        super().__init__()
        self.source = source

    def http_open(self, request):
        return self.do_open(opened(HTTPConnection, self.source), request)


class Encrypted(urllib.request.HTTPSHandler):
    def __init__(self, source, certificate):
        super().__init__()
        self.source, self.trusted = source, ssl.create_default_context(cafile=certificate)

    def https_open(self, request):
        return self.do_open(opened(HTTPSConnection, self.source, context=self.trusted), request)


def look_up(name):
    """The IPv4 address that somebody on this network answers for the name; "" when nobody does."""
    labels = b"".join(bytes((len(one),)) + one.encode() for one in name.split("."))
    question = struct.pack(">6H", 0, 0, 1, 0, 0, 0) + labels + b"\0" + struct.pack(">HH", 1, 1)
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asking:
        asking.settimeout(PATIENCE_S)
        asking.sendto(question, MULTICAST_DNS)
        try:
            answer = asking.recv(4096)
        except TimeoutError:
            return ""
    return socket.inet_ntoa(answer[-4:]) if struct.unpack(">H", answer[6:8])[0] else ""


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("url", nargs="?")
    parser.add_argument("--look-up", dest="name")
    parser.add_argument("--from", dest="source", help="the phone's address")
    parser.add_argument("--token")
    parser.add_argument("--certificate", help="what it trusts")
    parser.add_argument("--post", help="body")
    words = parser.parse_args()
    if words.name:
        print(json.dumps({"address": look_up(words.name)}))
        return
    headers = {"Authorization": f"Bearer {words.token}"} if words.token else {}
    data = None
    if words.post is not None:
        data, headers["Content-Type"] = words.post.encode(), "application/json"
    request = urllib.request.Request(words.url, data, headers)
    client = urllib.request.build_opener(
        urllib.request.ProxyHandler({}), Plain(words.source), Encrypted(words.source, words.certificate)
    )
    try:
        with client.open(request, timeout=PATIENCE_S) as answer:
            print(json.dumps({"status": answer.status, "bytes": len(answer.read())}))
    except urllib.error.HTTPError as error:
        print(json.dumps({"status": error.code, "said": error.read().decode(errors="replace")}))
    except OSError as error:
        print(json.dumps({"status": None, "said": str(error)}))


main()
