"""The local network as people see it who switch it on: where the engine listens, and the links that open it."""

from controller.model.fields import Value


class NetworkView(Value, frozen=True, kw_only=True):
    """Whether the engine listens on the local network. Links hold the tokens after a #, so that no server sees them."""

    is_on: bool
    host: str = ""
    port: int = 0
    names: tuple[str, ...] = ()  # by which people reach the machine
    is_encrypted: bool = False  # else anybody on the network can read what is sent, tokens included
    operator_link: str = ""  # "" without a token that holds
    guest_link: str = ""
    ends_wall_s: float | None = None  # when the tokens end; None without any
