"""Handlers for orders and guests."""

from starlette.requests import Request
from starlette.responses import Response

from controller.engine.engine import Engine
from controller.engine.http.asking import Asking, body_of, json_answer
from controller.engine.http.guests import GuestTokens
from controller.engine.http.problems import HttpProblem
from controller.engine.ordering.register import OPERATOR
from controller.model.orders import AgreeRequest, ConsentRequest, OrderRequest
from controller.model.plan import Consent


def owner_of(request: Request) -> str:
    """Who asks: the operator, or one guest by an own token."""
    if request.scope.get("role") != "guest":
        return OPERATOR
    owner: str = request.scope.get("owner", "")
    if not owner:
        raise HttpProblem("not-for-guests", "the invitation's token orders nothing: get your own, POST /v1/guests")
    return owner


class OrdersApi:
    """What guests and the operator ask about orders."""

    _engine: Engine
    _asking: Asking

    async def welcome(self, request: Request) -> Response:
        """POST guests: a guest's own token for the invitation's."""
        tokens: GuestTokens | None = request.scope.get("guests")
        if tokens is None or request.scope.get("owner"):
            raise HttpProblem("not-for-guests", "guests get their own token for the invitation's, on the local network")
        return json_answer(tokens.give(), 201, {"cache-control": "no-store"})

    async def orders(self, request: Request) -> Response:
        """GET orders."""
        owner = owner_of(request)
        return json_answer(self._engine.orders.orders(owner))

    async def order(self, request: Request) -> Response:
        """GET orders/ORDER."""
        return json_answer(self._engine.orders.view(request.path_params["order"], owner_of(request)))

    async def order_plan(self, request: Request) -> Response:
        """GET orders/ORDER/plan."""
        return json_answer(self._engine.orders.plan(request.path_params["order"], owner_of(request)))

    async def operation(self, request: Request) -> Response:
        """GET operations/OPERATION."""
        owner, operation = owner_of(request), request.path_params["operation"]
        if owner != OPERATOR and not self._engine.orders.is_poured_by(operation, owner):
            raise KeyError(operation)
        return json_answer(self._engine.operation(operation))

    async def place_order(self, request: Request) -> Response:
        """POST orders."""
        owner, asked = owner_of(request), await body_of(request, OrderRequest)
        await self._asking.judged(lambda: self._engine.orders.check(asked, owner))
        placed = await self._asking.beside(lambda: self._engine.orders.place(asked, owner))
        self._asking.nudge()
        headers = {"location": f"/v1/orders/{placed.order.order}", "cache-control": "no-store"}
        return json_answer(placed, 201, headers)

    async def agree_to_order(self, request: Request) -> Response:
        """POST orders/ORDER/agree."""
        owner, asked = owner_of(request), await body_of(request, AgreeRequest, **request.path_params)
        return json_answer(await self._asking.beside(lambda: self._engine.orders.agree(asked, owner)))

    async def withdraw_order(self, request: Request) -> Response:
        """POST orders/ORDER/withdraw."""
        return json_answer(self._engine.orders.withdraw(request.path_params["order"], owner_of(request)))

    async def consent(self, request: Request) -> Response:
        """POST orders/ORDER/consent."""
        owner, asked = owner_of(request), await body_of(request, ConsentRequest, **request.path_params)
        who: Consent = "guest" if owner else "operator"
        return await self._asking.begin(lambda: self._engine.orders.consent(asked, who=who, owner=owner))
