"""What the page may answer, as its OpenAPI document says it."""

from __future__ import annotations

from typing import Any, Final

from fastapi.responses import Response

_Responses = dict[int | str, dict[str, Any]]
_TEXT: Final[dict[str, Any]] = {"content": {"text/plain": {"schema": {"type": "string"}}}}
_SAID: Final[dict[str, Any]] = {
    "content": {
        "application/json": {
            "schema": {"type": "object", "required": ["detail"], "properties": {"detail": {}}}
        }
    }
}
ANY: Final[_Responses] = {
    400: {"description": "Asked by a name that is not this computer's own.", **_TEXT},
    413: {"description": "Too long.", **_TEXT},
    414: {"description": "The address is too long.", **_TEXT},
    422: {"description": "What was sent is not what is described here.", **_SAID},
    429: {"description": "Too many wrong tokens; the right one is always taken.", **_TEXT},
    431: {"description": "The headers are too long.", **_TEXT},
}
SEEN: Final[_Responses] = ANY | {
    303: {"description": "Without a session: to /login."},
    404: {"description": "No such rig.", **_SAID},
}
ASKED: Final[_Responses] = ANY | {
    401: {"description": "Log in first, or send the token as Bearer.", **_SAID},
    404: {"description": "No such rig.", **_SAID},
    503: {"description": "The rig's journal can't be read.", **_SAID},
}
SENT: Final[_Responses] = ANY | {
    303: {"description": "Done, or nothing to do: to the page that shows it."},
    401: {"description": "Log in first.", **_SAID},
    403: {"description": "This form is not of this page.", **_SAID},
    404: {"description": "No such rig.", **_SAID},
    411: {"description": "A length is needed.", **_TEXT},
    503: {"description": "It could not be written down; the answer says why.", **_SAID},
}
LOGIN: Final[_Responses] = SENT | {
    401: {"description": "That is not the token.", "content": {"text/html": {"schema": {"type": "string"}}}}
}


class Nothing(Response):
    """An answer without a body."""

    media_type = None


class Csv(Response):
    """A table as a file."""

    media_type = "text/csv"
