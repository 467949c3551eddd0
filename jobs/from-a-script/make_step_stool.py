#!/usr/bin/env python3
"""Hands the step stool in, waits for it, fetches its files and prints what to do next.

    make_step_stool.py [--server http://127.0.0.1:4750] [--out out] [--batch NAME]

Python 3.9 or later, nothing else. A token, where the server wants one, comes from GRAINWAY_TOKEN.
Exit: 0 ready, 1 somebody must act, 2 bad usage, 3 failed.
"""

import argparse
import hashlib
import io
import json
import os
import pathlib
import sys
import time
import urllib.error
import urllib.parse
import urllib.request
import zipfile

JOB = pathlib.Path(__file__).resolve().parent.parent / "step-stool"
# An answer that is lost, or a server that starts anew, is asked again for so long.
PATIENCE = 60


class Refused(Exception):
    """The server said no, with its reasons."""


class Server:
    def __init__(self, address):
        self.address = address.rstrip("/")
        self.token = os.environ.get("GRAINWAY_TOKEN")

    def ask(self, path, body=None, fields=None):
        """The body of a good answer. Asks again where that may help; a key makes it safe to hand in twice."""
        request = urllib.request.Request(self.address + path, data=body, headers=fields or {})
        if self.token:
            request.add_header("Authorization", "Bearer " + self.token)
        until = time.monotonic() + PATIENCE
        while True:
            try:
                with urllib.request.urlopen(request, timeout=90) as answer:
                    return answer.read()
            except urllib.error.HTTPError as error:
                if error.code not in (409, 429, 503) or time.monotonic() > until:
                    raise Refused(told(error)) from None
                # Seconds, as Retry-After says.
                time.sleep(float(error.headers.get("Retry-After") or 1))
            except (urllib.error.URLError, ConnectionError, TimeoutError) as error:
                if time.monotonic() > until:
                    raise SystemExit(f"{self.address} does not answer: {error}")
                time.sleep(1)

    def json(self, path, **more):
        return json.loads(self.ask(path, **more))


def told(error):
    """The words of a problem document (RFC 9457): everything that is wrong, with its place."""
    try:
        problem = json.loads(error.read())
        lines = [f"{problem['title']}: {problem['detail']}"]
        for one in problem["problems"]:
            lines.append(f"- {one.get('pointer', '')} {one['message']} {one.get('remedy', '')}".rstrip())
        return "\n".join(lines)
    except (ValueError, KeyError):
        return f"HTTP {error.code} {error.reason}"


def packed(folder):
    """The job's files as a zip."""
    memory = io.BytesIO()
    with zipfile.ZipFile(memory, "w", zipfile.ZIP_DEFLATED) as archive:
        for path in sorted(folder.iterdir()):
            archive.write(path, path.name)
    return memory.getvalue()


def fetch(server, job, out):
    """Every file of the job, each checked against its sum."""
    files = server.json(f"/v1/jobs/{job}/files")
    for file in files:
        name = file["name"]
        data = server.ask(f"/v1/jobs/{job}/files/{urllib.parse.quote(name)}")
        if hashlib.sha256(data).hexdigest() != file["sha256"]:
            raise SystemExit(f"{name} was damaged on its way; fetch it again.")
        path = out / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data)
    return files


def table(rows):
    widths = [max(len(str(row[i])) for row in rows) for i in range(len(rows[0]))]
    for row in rows:
        print("  ".join(str(cell).ljust(width) for cell, width in zip(row, widths)).rstrip())


def main():
    parser = argparse.ArgumentParser(description="Hands the step stool in, waits for it and fetches its files.")
    parser.add_argument("--server", default="http://127.0.0.1:4750")
    parser.add_argument("--out", type=pathlib.Path, default=pathlib.Path("out"))
    parser.add_argument("--batch", default="step stools")
    asked = parser.parse_args()
    server = Server(asked.server)
    body = packed(JOB)
    # The same batch and files are the same order: run again, the script finds its job rather than making a second one.
    key = hashlib.sha256(asked.batch.encode() + body).hexdigest()
    query = urllib.parse.urlencode({"batch": asked.batch})
    try:
        job = server.json(
            f"/v1/jobs?{query}", body=body, fields={"Content-Type": "application/zip", "Idempotency-Key": key}
        )
        while job["state"] in ("queued", "running"):
            print(f"{job['name']}: {job['state']} {job.get('stage', '')}".rstrip(), flush=True)
            # Answered once it has ended, or after half a minute.
            job = server.json(f"/v1/jobs/{job['id']}?wait=30")
        files = fetch(server, job["id"], asked.out)
    except Refused as refused:
        print(refused, file=sys.stderr)
        return 1
    summary = job.get("summary", {})
    print(f"{job['name']}: {job['state']}, code {job['code']}. {summary.get('sentence', '')}".rstrip())
    if files:
        table([("file", "bytes")] + [(file["name"], file["bytes"]) for file in files])
        print(f"in {asked.out}")
    if job["state"] == "ready":
        print("Checked against the parts, not run on your machine: prove every program there before you cut.")
    return {"ready": 0, "withheld": 1}.get(job["state"], 3)


if __name__ == "__main__":
    sys.exit(main())
