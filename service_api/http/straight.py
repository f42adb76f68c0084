"""The plain append, past the framework: one entry in JSON, sent with a bearer token, recorded now or before.

A round through the framework (contexts, routing, hooks, a response) takes as long as all that an append computes. Here
the same functions answer without it. Whatever is not plain, and every refusal, goes on to the framework's view with
what was done so far, so that there is one place where errors are worded.
"""

from io import BytesIO
from typing import Any

from flask import Flask

from service_api.directory.tokens import Overtaken
from service_api.http import auth, entries
from service_api.wire.canonical import parse
from service_api.wire.entries import LONGEST, plain_draft, read_draft

WITH_ROOM = 2 * LONGEST  # bytes of a body that is read here
Answer = tuple[str, list[tuple[str, str]], bytes]


def around(app: Flask, inner: Any, fixed: list[tuple[str, str]]) -> Any:
    """A WSGI application that answers the plain append itself and leaves everything else to `inner`.

    fixed : headers that every answer has
    """
    store, roles = app.extensions["store"], app.extensions["doors"]["entries.record", "POST"]

    def application(environ: dict[str, Any], start_response: Any) -> Any:
        if environ["REQUEST_METHOD"] == "POST" and environ["PATH_INFO"] == "/v1/entries" and _is_plain(environ):
            answer = _append(store, roles, environ)
            if answer is not None:
                status, headers, text = answer
                start_response(status, headers + fixed)
                return [text]
        return inner(environ, start_response)

    return application


def _is_plain(environ: dict[str, Any]) -> bool:
    length = environ.get("CONTENT_LENGTH", "")
    return (
        environ.get("CONTENT_TYPE") == "application/json"
        and environ.get("HTTP_AUTHORIZATION", "").startswith("Bearer ")
        and not environ.get("QUERY_STRING")
        and "HTTP_PREFER" not in environ
        and length.isdecimal()
        and int(length) <= WITH_ROOM
    )


def _append(store: Any, roles: frozenset[str], environ: dict[str, Any]) -> Answer | None:
    """The answer, or None when the framework has to say it.

    A clock in doubt is met in recording, which asks it in any case.
    """
    try:
        now, sent = store.clock(), environ["HTTP_AUTHORIZATION"][len("Bearer ") :]
        token = auth.live(store, store.recalled or store.lasting, sent, now)
        if token is None or not auth.may_enter(token, roles):
            return None
        body = environ["wsgi.input"].read(int(environ["CONTENT_LENGTH"]))
        environ["wsgi.input"] = BytesIO(body)
        if not body.startswith(b"{"):  # several entries: to find that it is no single one takes as long as to read it
            return None
        draft = plain_draft(body) or read_draft(parse(body))
        recorder, sender = entries.recorder_of(store, token, recalled=store.recalled is not None)
    except Exception:  # nothing was done yet: the framework meets the same, and has the words for it
        return None
    try:
        (outcome,) = recorder.record([draft], sender)
    except Overtaken:  # nothing was done
        store.recalled.forget()
        return _append(store, roles, environ)  # the token is looked up anew
    except Exception as error:  # of whatever kind: what was tried may have been kept, and is not tried again
        environ[entries.TRIED] = error
        return None
    if outcome.refusal is not None:
        environ[entries.TRIED] = outcome
        return None
    auth.note_use(store, token, now)
    text = outcome.answer or b""
    if outcome.status == "again":
        text = entries.said_again(text)
        return "200 OK", [_JSON, ("Content-Length", str(len(text)))], text
    headers = [_JSON, ("Location", f"/v1/entries/{outcome.id}"), ("Content-Length", str(len(text)))]
    return "201 CREATED", headers, text


_JSON = ("Content-Type", "application/json")
