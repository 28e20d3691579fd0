"""Names of listening points: those of any engine are known, others are refused with the list."""

import pytest

from earwitness.engine.layout import engine_layout
from earwitness.engine.listening_points import listening_points, require_listening_point
from earwitness.errors import LayoutError


@pytest.mark.parametrize("tailpipes", [1, 2])
@pytest.mark.parametrize("cooling", ["liquid", "air"])
def test_every_point_of_an_engine_is_known(tailpipes: int, cooling: str) -> None:
    layout = engine_layout(4, tailpipes=tailpipes, cooling=cooling)  # type: ignore[arg-type]
    for point in listening_points(layout, 2):
        require_listening_point(point.name)


@pytest.mark.parametrize("name", ["glovebox", "", "plug-hole-", "plug-hole-x", "plug-hole-0"])
def test_other_names_are_refused_with_the_list(name: str) -> None:
    with pytest.raises(LayoutError, match="oil-filler, tailpipe"):
        require_listening_point(name)
