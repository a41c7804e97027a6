"""An object store on this machine for tests, and lines to it that are cut or slow."""

from __future__ import annotations

import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from urllib.parse import urlsplit

# A process of its own: some clients hold the interpreter while they wait. One request at a time, because the stand-in
# looks and puts in two steps where a real store does a conditional put in one.
_SERVER = """
import os, sys, threading
from moto.moto_server.werkzeug_app import DomainDispatcherApplication, create_backend_app
from werkzeug.serving import make_server
backend, one = DomainDispatcherApplication(create_backend_app), threading.Lock()
def atomic(environ, start_response):
    with one:
        return backend(environ, start_response)
server = make_server("127.0.0.1", 0, atomic, threaded=True)
print(f"http://127.0.0.1:{server.server_port}", flush=True)
threading.Thread(target=server.serve_forever, daemon=True).start()
sys.stdin.read()
os._exit(0)
"""
BUCKET, REGION = "fleet", "eu-central-1"
KEY, SECRET = "AKIATESTONLY0001", "a-secret-that-nobody-may-see"


@contextmanager
def object_store() -> Iterator[str]:
    """Endpoint of a store with one empty bucket."""
    with subprocess.Popen(
        [sys.executable, "-c", _SERVER], stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL,
        text=True,
    ) as server:
        endpoint = server.stdout.readline().strip()
        client(endpoint).create_bucket(Bucket=BUCKET, CreateBucketConfiguration={"LocationConstraint": REGION})
        try:
            yield endpoint
        finally:
            server.stdin.close()


def client(endpoint: str) -> object:
    """A client that has nothing to do with the project's own ways to the store."""
    import boto3

    return boto3.client(
        "s3", endpoint_url=endpoint, aws_access_key_id=KEY, aws_secret_access_key=SECRET, region_name=REGION
    )


def objects(endpoint: str, prefix: str) -> dict[str, bytes]:
    """Objects below a prefix with their content."""
    store = client(endpoint)
    pages = store.get_paginator("list_objects_v2").paginate(Bucket=BUCKET, Prefix=prefix)
    keys = [item["Key"] for page in pages for item in page.get("Contents", [])]
    return {key: store.get_object(Bucket=BUCKET, Key=key)["Body"].read() for key in keys}


def environment(endpoint: str) -> dict[str, str]:
    """What a person sets to reach the store."""
    return {
        "AWS_ACCESS_KEY_ID": KEY, "AWS_SECRET_ACCESS_KEY": SECRET, "AWS_REGION": REGION,
        "AWS_ENDPOINT_URL": endpoint, "AWS_ALLOW_HTTP": "true",
    }


@contextmanager
def refusing_store() -> Iterator[str]:
    """Endpoint that refuses every request as S3 refuses a wrong signature: the answer repeats key and signature."""

    class Refusing(BaseHTTPRequestHandler):
        def _refuse(self) -> None:
            body = (
                '<?xml version="1.0" encoding="UTF-8"?>\n<Error><Code>SignatureDoesNotMatch</Code><Message>The request '
                "signature we calculated does not match the signature you provided.</Message>"
                f"<AWSAccessKeyId>{KEY}</AWSAccessKeyId><StringToSign>AWS4-HMAC-SHA256 {KEY}</StringToSign>"
                "<SignatureProvided>0123456789abcdef</SignatureProvided></Error>"
            ).encode()
            self.send_response(403)
            self.send_header("Content-Type", "application/xml")
            self.send_header("Content-Length", str(len(body)))
            self.end_headers()
            if self.command != "HEAD":
                self.wfile.write(body)

        do_GET = do_HEAD = do_PUT = do_POST = do_DELETE = _refuse

        def log_message(self, *_: object) -> None:
            """Quiet."""

    server = ThreadingHTTPServer(("127.0.0.1", 0), Refusing)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    try:
        yield f"http://127.0.0.1:{server.server_address[1]}"
    finally:
        server.shutdown()
        server.server_close()


class Line:
    """A line to the store: each answer comes ``delay_s`` late; after ``cut_after`` bytes sent it is dead."""

    def __init__(self, endpoint: str, delay_s: float = 0.0, cut_after: int | None = None) -> None:
        parts = urlsplit(endpoint)
        self._target = (parts.hostname, parts.port)
        self._delay_s, self._cut_after = delay_s, cut_after
        self.cut, self.sent = False, bytearray()
        self._sockets: list[socket.socket] = []
        self._guard = threading.Lock()

    def __enter__(self) -> Line:
        self._listening = socket.create_server(("127.0.0.1", 0))
        self.endpoint = f"http://127.0.0.1:{self._listening.getsockname()[1]}"
        threading.Thread(target=self._accept, daemon=True).start()
        return self

    def __exit__(self, *_: object) -> None:
        self._hang_up()

    def _accept(self) -> None:
        while True:
            try:
                near, _ = self._listening.accept()
                far = socket.create_connection(self._target)
            except OSError:
                return
            self._sockets += [near, far]
            threading.Thread(target=self._pass, args=(near, far, True), daemon=True).start()
            threading.Thread(target=self._pass, args=(far, near, False), daemon=True).start()

    def _pass(self, source: socket.socket, sink: socket.socket, sent: bool) -> None:
        try:
            while data := source.recv(65536):
                if sent:
                    self._count(data)
                elif self._delay_s:
                    time.sleep(self._delay_s)
                if self.cut:
                    break
                sink.sendall(data)
        except OSError:
            pass  # hung up
        for one in (source, sink):
            one.close()

    def _count(self, data: bytes) -> None:
        with self._guard:
            self.sent += data
            if self._cut_after is not None and len(self.sent) > self._cut_after and not self.cut:
                self.cut = True
                self._hang_up()

    def _hang_up(self) -> None:
        for one in [self._listening, *self._sockets]:
            try:
                one.shutdown(socket.SHUT_RDWR)
            except OSError:
                pass  # closed already
            one.close()
