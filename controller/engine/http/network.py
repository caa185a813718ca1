"""What is asked about the local network itself; at the machine only."""

from starlette.requests import Request
from starlette.responses import Response

from controller.engine.http.access import ListenAddress
from controller.engine.http.asking import json_answer
from controller.engine.http.problems import HttpProblem
from controller.engine.http.shares import Places
from controller.engine.http.tokens import Tokens
from controller.errors import Refused
from controller.model.fields import like
from controller.model.network import NetworkView


class Network:
    """The engine's place on the local network with its tokens."""

    def __init__(self, place: ListenAddress, tokens: Tokens, places: Places) -> None:
        self._place, self._tokens, self._places = place, tokens, places

    def view(self) -> NetworkView:
        """Where it listens, and the links."""
        place, texts = self._place, self._tokens.texts()
        name = next((one for one in (*place.names, place.host)), "")
        port = "" if place.port == (443 if place.is_encrypted else 80) else f":{place.port}"
        start = f"{'https' if place.is_encrypted else 'http'}://{name}{port}/#token="
        return like(
            NetworkView,
            place,
            is_on=True,
            operator_link=f"{start}{texts['operator']}" if "operator" in texts else "",
            guest_link=f"{start}{texts['guest']}" if "guest" in texts else "",
            ends_wall_s=self._tokens.ends_wall_s if texts else None,
        )

    def renew(self) -> NetworkView:
        """Draw new tokens and turn everybody out."""
        self._tokens.renew()
        self._places.turn_out()
        return self.view()


class NetworkApi:
    """Handlers of the addresses about the network."""

    _network: Network | None

    async def network(self, request: Request) -> Response:
        """GET network."""
        _require_here(request)
        view = NetworkView(is_on=False) if self._network is None else self._network.view()
        return json_answer(view, headers={"cache-control": "no-store"})

    async def renew_network(self, request: Request) -> Response:
        """POST network/renew."""
        _require_here(request)
        if self._network is None:
            raise Refused(
                rule="network", reason="the local network is switched off.", remedy="Switch it on: tundish network on"
            )
        return json_answer(self._network.renew(), headers={"cache-control": "no-store"})


def _require_here(request: Request) -> None:
    if request.scope.get("role") is not None:
        raise HttpProblem("only-here", "tokens are given out at the machine itself, not over the network")
