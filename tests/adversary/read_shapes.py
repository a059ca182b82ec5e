"""All shapes; importing this fills the register."""

import read_shapes_afresh
import read_shapes_broken
import read_shapes_layout
import read_shapes_levels
import read_shapes_lists
import read_shapes_mixed
import read_shapes_packing
import read_shapes_third
import read_shapes_third_rows
import read_shapes_time

MODULES = (
    read_shapes_layout,
    read_shapes_time,
    read_shapes_levels,
    read_shapes_lists,
    read_shapes_packing,
    read_shapes_mixed,
    read_shapes_broken,
    read_shapes_afresh,
    read_shapes_third,
    read_shapes_third_rows,
)
