"""The page: how every rig stands, for a person with a phone, and as JSON. It writes nothing but acknowledgements."""

from __future__ import annotations

import asyncio
import contextlib
import csv
import io
import time
from importlib import resources
from importlib.metadata import version
from typing import TYPE_CHECKING, Annotated, Any, Final

from fastapi import FastAPI, Form, HTTPException, Path, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import HTMLResponse, JSONResponse, PlainTextResponse, RedirectResponse, Response
from markupsafe import Markup

from analysis.alarm_store import read_alarms
from analysis.page_answers import ANY, ASKED, LOGIN, SEEN, SENT, Csv, Nothing
from analysis.page_guard import COOKIE, HEADERS, Guard, SESSION_s
from analysis.page_hosts import Hosts
from analysis.register import Register
from analysis.state import State, alarm_dict
from analysis.templating import templates, typed
from logger.errors import PlainError

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Awaitable, Callable

    from analysis.page_rigs import Rigs

LARGEST_BODY: Final = 8192
LARGEST_HEAD: Final = 16_384
LARGEST_TARGET: Final = 2048
SLOW_s: Final = 1.0
"""So long a wrong token waits for its answer once there were many from its address."""
MOST_SLOWED: Final = 8
"""So many wait at a time; they must not take all places."""
STALE_s: Final = 15.0
"""So long without a look the page says that it is stale."""
OPEN: Final = frozenset({"/login", "/page.js", "/page.css"})
Key = Annotated[str, Path(max_length=80, description="The rig's name in addresses, see /api/rigs.")]


def make_app(rigs: Rigs, guard: Guard, *, only_loopback: bool, names: tuple[str, ...] = ()) -> FastAPI:
    """Return the application. It goes by the names of this computer (`only_loopback`: of loopback) and by `names`."""
    hosts = Hosts.of_this_computer(names, only_loopback=only_loopback)

    @contextlib.asynccontextmanager
    async def life(_app: FastAPI) -> AsyncIterator[None]:
        looking = asyncio.create_task(rigs.run(), name="rigs")
        try:
            yield
        finally:
            looking.cancel()
            await asyncio.gather(looking, return_exceptions=True)
            await asyncio.to_thread(rigs.close)
            guard.close()

    app = FastAPI(
        title="Cornerhold",
        version=version("cornerhold"),
        summary="How the soaks stand: sections, alarms, and the gas that is left.",
        lifespan=life,
        docs_url=None,
        redoc_url=None,
        redirect_slashes=False,
    )
    _guarded(app, guard, hosts)
    _sessions(app, guard)
    _views(app, rigs, guard)
    _json(app, rigs)
    return app


# -- who may ---------------------------------------------------------------------------------------------------


def _guarded(app: FastAPI, guard: Guard, hosts: Hosts) -> None:
    @app.middleware("http")
    async def check(request: Request, go_on: Callable[[Request], Awaitable[Response]]) -> Response:
        response = _too_large(request) or await _refusal(request, guard, hosts) or await go_on(request)
        for name, value in HEADERS.items():
            response.headers[name] = value
        return response

    @app.exception_handler(RequestValidationError)
    async def invalid(_request: Request, error: RequestValidationError) -> JSONResponse:
        # what was sent is not sent back
        said = [{"where": [str(x) for x in one["loc"]], "what": one["msg"]} for one in error.errors()]
        return JSONResponse({"detail": said}, 422)

    @app.exception_handler(PlainError)
    async def refused(_request: Request, error: PlainError) -> JSONResponse:
        return JSONResponse({"detail": str(error)}, 503)


def _too_large(request: Request) -> Response | None:
    """Why a request is not even looked at, or None. Whatever is parsed later is bounded here."""
    head = request.scope["headers"]
    if len(request.scope["path"]) + len(request.scope["query_string"]) > LARGEST_TARGET:
        return PlainTextResponse("the address is too long", 414)
    if sum(len(name) + len(value) for name, value in head) > LARGEST_HEAD:
        return PlainTextResponse("the headers are too long", 431)
    if any(name == b"transfer-encoding" for name, _ in head):
        return PlainTextResponse("a length is needed", 411)
    for name, value in head:
        if name == b"content-length" and not (
            value.isdigit() and len(value) < 20 and int(value) <= LARGEST_BODY
        ):
            return PlainTextResponse("too long", 413)
    return None


async def _refusal(request: Request, guard: Guard, hosts: Hosts) -> Response | None:
    """Why a request is not answered, or None."""
    # a page from elsewhere could point a name of its own at this computer
    if not hosts.answer_to(request.headers.get("host", "")):
        return PlainTextResponse(hosts.refusal(), 400)
    # what is routed by, and not an address that is put together from what the visitor says of it
    path = request.scope["path"]
    if path in OPEN or guard.knows(request.cookies.get(COOKIE)):
        return None
    scheme, _, token = request.headers.get("authorization", "").partition(" ")
    if scheme.lower() == "bearer":
        if guard.is_token(token.strip(), _from(request)):
            return None
        slowed = await _slowed(request, guard)
        if slowed is not None:
            return slowed
    if path.startswith(("/api/", "/openapi")) or request.method != "GET":
        return JSONResponse({"detail": "log in first"}, 401, {"WWW-Authenticate": "Bearer"})
    return RedirectResponse("/login", 303)


def _from(request: Request) -> str:
    """The visitor's address, by the front if there is one."""
    return request.client.host if request.client else ""


async def _slowed(request: Request, guard: Guard) -> Response | None:
    """The late answer to a wrong token when there were many from its address; else None."""
    wait_s = guard.wait_s(_from(request))
    if wait_s <= 0.0:
        return None
    async with guard.slow_lane(MOST_SLOWED) as free:
        if free:
            await asyncio.sleep(SLOW_s)
    return PlainTextResponse(
        "too many wrong tokens from your address: have a closer look at it",
        429,
        {"Retry-After": f"{wait_s + 1.0:.0f}"},
    )


def _page(name: str, **values: Any) -> HTMLResponse:
    return HTMLResponse(templates().get_template(name).render(**values))


def _sessions(app: FastAPI, guard: Guard) -> None:
    @app.get(
        "/login", summary="The form that asks for the token.", response_class=HTMLResponse, responses=ANY
    )
    async def login_form() -> Response:
        return _page("login.html.j2", wrong=False)

    @app.post("/login", summary="Begin a session.", status_code=303, response_class=Nothing, responses=LOGIN)
    async def login(request: Request, token: Annotated[str, Form(max_length=200)]) -> Response:
        if not guard.is_token(token.strip(), _from(request)):
            slowed = await _slowed(request, guard)
            if slowed is not None:
                return slowed
            response: Response = _page("login.html.j2", wrong=True)
            response.status_code = 401
            return response
        response = RedirectResponse("/", 303)
        secure = request.scope["scheme"] == "https"
        response.set_cookie(
            COOKIE, guard.begin(), max_age=int(SESSION_s), httponly=True, samesite="strict", secure=secure
        )
        return response

    @app.post("/logout", summary="End it.", status_code=303, response_class=Nothing, responses=SENT)
    async def logout(request: Request, secret: Annotated[str, Form(max_length=200)]) -> Response:
        session = request.cookies.get(COOKIE)
        if not guard.is_own_form(session, secret):
            raise HTTPException(403, "this form is not of this page")
        guard.end(session)
        response = RedirectResponse("/login", 303)
        response.delete_cookie(COOKIE)
        return response


# -- for people ------------------------------------------------------------------------------------------------


def _views(app: FastAPI, rigs: Rigs, guard: Guard) -> None:  # noqa: C901  a list of small views
    def known(key: str) -> None:
        if key not in rigs.watched:
            raise HTTPException(404, "no such rig")

    def values(request: Request, key: str) -> dict[str, Any]:
        return {
            "key": key,
            "state": rigs.states.get(key),
            "error": rigs.errors.get(key),
            "stale": _stale(rigs, key),
            "secret": guard.form_secret(request.cookies.get(COOKIE)),
        }

    @app.get("/", summary="All rigs.", response_class=HTMLResponse, responses=SEEN)
    async def home(request: Request) -> Response:
        all_of_them = [values(request, key) for key in rigs.watched]
        return _page("page.html.j2", rigs=all_of_them, one=None, guarded=guard.token_sha256 is not None)

    @app.get("/rigs/{key}", summary="One rig.", response_class=HTMLResponse, responses=SEEN)
    async def rig(request: Request, key: Key) -> Response:
        known(key)
        here = values(request, key)
        return _page("page.html.j2", rigs=[here], one=key, guarded=guard.token_sha256 is not None)

    @app.get(
        "/now",
        summary="What stands on the page, asked again every few seconds.",
        response_class=HTMLResponse,
        responses=SEEN,
    )
    async def now(request: Request, key: Annotated[str | None, "rig"] = None) -> Response:
        if key is not None:
            known(key)
        keys = list(rigs.watched) if key is None else [key]
        return _page("now.html.j2", rigs=[values(request, one) for one in keys], one=key)

    @app.get("/rigs/{key}/plots", summary="Its sections' plots.", response_class=HTMLResponse, responses=SEEN)
    async def plots(key: Key) -> Response:
        known(key)
        drawn = await rigs.do(lambda: rigs.plots(key))
        state = rigs.states.get(key)
        sections = [] if state is None or state.findings is None else state.findings["sections"]
        # our own drawings, in which no typed text stands
        svgs = [(Markup(broad), Markup(narrow)) for broad, narrow in drawn]  # noqa: S704
        return _page("plots.html.j2", plots=list(zip(sections, svgs, strict=False)))

    @app.post(
        "/rigs/{key}/acknowledge",
        summary="Acknowledge an alarm, by a form of this page.",
        status_code=303,
        response_class=Nothing,
        responses=SENT,
    )
    async def acknowledge(
        request: Request,
        key: Key,
        alarm: Annotated[str, Form(max_length=80)],
        secret: Annotated[str, Form(max_length=200)],
        by: Annotated[str, Form(max_length=80)] = "",
    ) -> Response:
        known(key)
        if not guard.is_own_form(request.cookies.get(COOKIE), secret):
            raise HTTPException(403, "this form is not of this page")
        path = rigs.watched[key].path
        standing = await rigs.do(lambda: [name for name, one in read_alarms(path) if one.state == "raised"])
        if alarm in standing:
            await rigs.do(lambda: _acknowledge(path, alarm, typed(by)))
        return RedirectResponse(f"/rigs/{key}", 303)

    for name, kind in (("page.js", "text/javascript"), ("page.css", "text/css")):
        text = (resources.files("analysis") / "templates" / name).read_text("utf-8")
        if name == "page.css":
            text = templates().get_template("colours.css.j2").render() + text
        app.add_api_route(f"/{name}", _fixed(text, kind), include_in_schema=False)


def _fixed(text: str, kind: str) -> Callable[[], Awaitable[Response]]:
    async def answer() -> Response:
        return Response(text, media_type=kind)

    return answer


def _acknowledge(path: Any, alarm: str, by: str) -> None:
    with Register.open(path) as register:
        register.acknowledge([alarm], by)


def _stale(rigs: Rigs, key: str) -> bool:
    looked_s = rigs.looked_s.get(key)
    return looked_s is None or time.monotonic() - looked_s > STALE_s


# -- for programs ----------------------------------------------------------------------------------------------


def _json(app: FastAPI, rigs: Rigs) -> None:  # noqa: C901  a list of small views
    def state_of(key: str) -> State:
        if key not in rigs.watched:
            raise HTTPException(404, "no such rig")
        state = rigs.states.get(key)
        if state is None:
            raise HTTPException(503, rigs.errors.get(key, "not looked at yet"))
        return state

    @app.get("/api/rigs", summary="All rigs: name, whether each measures, its soak.", responses=ASKED)
    async def all_rigs() -> list[dict[str, Any]]:
        out = []
        for key in rigs.watched:
            state = rigs.states.get(key)
            said: dict[str, Any] = {"key": key, "error": rigs.errors.get(key), "stale": _stale(rigs, key)}
            if state is not None:
                said |= {k: v for k, v in state.as_dict().items() if k != "findings"}
            out.append(said)
        return out

    @app.get("/api/rigs/{key}", summary="One rig with its findings so far.", responses=ASKED)
    async def one_rig(key: Key) -> dict[str, Any]:
        return {"key": key, "stale": _stale(rigs, key)} | state_of(key).as_dict()

    @app.get("/api/rigs/{key}/alarms", summary="All alarms ever kept of a rig.", responses=ASKED)
    async def alarms(key: Key) -> list[dict[str, Any]]:
        state_of(key)
        path = rigs.watched[key].path
        found = await rigs.do(lambda: read_alarms(path))
        return [alarm_dict(name, alarm) for name, alarm in found]

    @app.get("/api/rigs/{key}/course", summary="What was read and what it means over time.", responses=ASKED)
    async def course(key: Key) -> dict[str, Any]:
        state_of(key)
        found = await rigs.do(lambda: rigs.course(key))
        return dict(found)

    @app.get(
        "/api/rigs/{key}/course.csv",
        summary="The same as CSV, a row per section and time.",
        response_class=Csv,
        responses=ASKED,
    )
    async def course_csv(key: Key) -> Response:
        state_of(key)
        found = await rigs.do(lambda: rigs.course(key))
        out = io.StringIO()
        writer = csv.writer(out)
        for number, (name, columns) in enumerate(found.items()):
            if number == 0:
                writer.writerow(["section", *columns])
            # a name that a spreadsheet would take for a formula is no formula
            safe = f"'{name}" if name[:1] in "=+-@" else name
            writer.writerows([safe, *row] for row in zip(*columns.values(), strict=True))
        head = {"Content-Disposition": 'attachment; filename="course.csv"'}
        return Csv(out.getvalue(), headers=head)
