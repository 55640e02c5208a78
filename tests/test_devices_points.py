"""Measured points: what a header may say, and how a file that cannot be used is refused."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from tubekit.devices.points import Points, points_of, read_points
from tubekit.errors import TableError

GOOD = "plate_v,grid_v,plate_ma\n100,-1,0.5\n250,-2,1.2\n"


def written(folder: Path, text: str, name: str = "bench.csv") -> Path:
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


def test_a_plain_file_is_read_in_si(tmp_path):
    points = read_points(written(tmp_path, GOOD))
    assert (points.source, points.count) == ("bench.csv", 2)
    np.testing.assert_allclose(points.plate_v, [100.0, 250.0])
    np.testing.assert_allclose(points.grid_v, [-1.0, -2.0])
    np.testing.assert_allclose(points.plate_a, [0.5e-3, 1.2e-3])
    assert points.screen_v is None
    assert points.screen_a is None
    with pytest.raises(ValueError, match="read-only"):
        points.plate_a[0] = 1.0


@pytest.mark.parametrize(
    ("header", "factor"),
    [
        ("plate_a", 1.0),
        ("Plate mA", 1e-3),
        ("plate [mA]", 1e-3),
        ("plate(uA)", 1e-6),
        ("plate_µA", 1e-6),
        ("plate_na", 1e-9),
    ],
)
def test_the_unit_stands_in_the_header(header, factor):
    points = points_of({"plate [V]": [100.0], "GRID_mV": [-500.0], header: [1.0]})
    assert points.plate_a[0] == pytest.approx(factor)
    assert points.grid_v[0] == pytest.approx(-0.5)


@pytest.mark.parametrize(
    "text",
    [
        "plate_ma;note;grid_v;plate_v\n0,5;first;-1;100\n1,2;;-2;250\n",
        "# a bench log\n\nplate_v\tgrid_v\tplate_ma\n100\t−1\t0,5\n\n# later\n250\t-2\t1.2\n",
        "\ufeffplate_v,grid_v,plate_ma\r\n100,-1,0.5\r\n250,-2,1.2\r\n",
        '"plate_v","grid_v","plate_ma"\n"100","-1","0.5"\n250,-2,1.2\n',
    ],
)
def test_other_ways_to_write_the_same_points(tmp_path, text):
    plain, other = (read_points(written(tmp_path, t)) for t in (GOOD, text))
    np.testing.assert_allclose(other.plate_a, plain.plate_a)
    np.testing.assert_allclose(other.grid_v, plain.grid_v)


def test_screen_columns_come_along():
    points = points_of(
        {"plate_v": [250], "screen_v": [250], "grid_v": [-12.5], "plate_ma": [45], "screen_ma": [4.5]}
    )
    assert isinstance(points, Points)
    assert float(points.screen_a[0]) == pytest.approx(4.5e-3)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "bench.csv: holds no points"),
        ("plate_v,grid_v,plate_ma\n", "holds no points"),
        ("plate_v,grid_v\n1,2\n", "no column plate_ma.*Use column heads like"),
        ("plate_v,grid_v,plate_am\n1,2,3\n", "column 'plate_am' is not known.*Near: plate_ma"),
        ("plate_v,grid_v,grid_ma\n1,2,3\n", "column 'grid_ma' is not known"),
        ("anode_v,grid_v,plate_ma\n1,2,3\n", "column 'anode_v' is not known.*plate_v"),
        ("plate_v,grid_v,plate_ma,plate_a\n1,2,3,4\n", "plate_a: appears twice"),
        ("plate_v,grid_v,plate_ma\n100,-1,0.5\n250,-2\n", r"bench.csv, line 3: 2 cells, but 3 columns"),
        (
            "plate_v,grid_v,plate_ma\n100,-1,o.5\n",
            "line 2: plate_ma: 'o.5' is not a number.*like -12.5",
        ),
        ("plate_v,grid_v,plate_ma\n100,-1,nan\n", "plate_ma: point 1 is nan A"),
        (
            "plate_v,grid_v,plate_a\n100,-1,45\n",
            "plate_a: point 1 is 45 A. A current .*check the unit",
        ),
        ("plate_v,grid_v,plate_ma\n100,-1,-0.5\n", "plate_ma: point 1 is -0.0005 A"),
        ("plate_v,grid_kv,plate_ma\n100,-12,0.5\n", "grid_kv: point 1 is -12000 V"),
        ("plate_v,grid_v,plate_ma,screen_ma\n100,-1,5,1\n", "there is a screen current"),
    ],
)
def test_what_cannot_be_used_is_refused_by_line_and_column(tmp_path, text, words):
    with pytest.raises(TableError, match=words):
        read_points(written(tmp_path, text))


def test_files_that_are_none(tmp_path):
    with pytest.raises(TableError, match="cannot be read: No such file"):
        read_points(tmp_path / "nowhere.csv")
    (tmp_path / "latin.csv").write_bytes("plate_v,grid_v,plate_µa\n1,2,3\n".encode("latin-1"))
    with pytest.raises(TableError, match="is not UTF-8 text"):
        read_points(tmp_path / "latin.csv")
    (tmp_path / "huge.csv").write_bytes(b"1" * 2_000_001)
    with pytest.raises(TableError, match=r"huge.csv: the file has 2.0 MB"):
        read_points(tmp_path / "huge.csv")


def test_columns_of_different_length_are_refused():
    with pytest.raises(TableError, match="differ in length"):
        points_of({"plate_v": [1, 2], "grid_v": [1], "plate_ma": [1, 2]})
    with pytest.raises(TableError, match="plate_ma: cannot be read as numbers"):
        points_of({"plate_v": [1.0], "grid_v": [1.0], "plate_ma": ["much"]})
