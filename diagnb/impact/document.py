"""x"""


def render_impact() -> None: ...
