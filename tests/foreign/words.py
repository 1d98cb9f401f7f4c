"""The words of a command and the refusals they may meet (standards/srcp.md A3)."""

TEXTS = {
    400: "unsupported protocol", 401: "unsupported connection mode", 402: "unsufficient data",
    410: "unknown command", 411: "unknown value", 412: "wrong value", 413: "temporarily prohibited",
    414: "device locked", 415: "forbidden", 416: "no data", 418: "list too long", 419: "list too short",
    420: "unsupported device protocol", 422: "unsupported device group", 423: "unsupported operation",
    424: "device reinitialized", 425: "not supported", 499: "unspecified error",
}


class Refused(Exception):
    """A command that the station does not carry out; the code says why."""

    def __init__(self, code):
        super().__init__(code)
        self.code = code


def whole(word):
    """A whole number, or 412."""
    try:
        return int(word)
    except ValueError:
        raise Refused(412) from None


def need(words, least, most=None):
    """The right count of parameters, or 419 / 418."""
    if len(words) < least:
        raise Refused(419)
    if most is not None and len(words) > most:
        raise Refused(418)
