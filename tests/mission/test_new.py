"""A new mission folder is whole, and the page that explains it is current."""

import importlib.util
from pathlib import Path

import pytest

from reeftally.errors import BookError
from reeftally.mission import (
    TABLES,
    Book,
    Layout,
    doubts_of,
    new_mission,
    problems_with_layouts,
    read_book,
    read_layouts,
    read_tables,
)

ROOT = Path(__file__).parents[2]


def test_a_new_folder_passes_its_own_checks(tmp_path):
    path = new_mission(tmp_path / "TR-7")

    book, layouts = read_book(path), read_layouts(path.parent)
    assert book.mission.name == "TR-7"
    assert problems_with_layouts(book, layouts) == ()
    assert doubts_of(book) == ()
    assert read_tables(path.parent).problems == ()


def test_a_new_folder_has_every_part_of_the_contract(tmp_path):
    path = new_mission(tmp_path / "TR-7", "OB-32")

    assert sorted(part.name for part in path.parent.iterdir()) == sorted(
        ["mission.toml", "book", "layouts", "inbox", "raw", "tables", "log"]
    )
    assert {part.stem for part in (path.parent / "tables").iterdir()} == set(TABLES)
    assert {part.stem for part in (path.parent / "layouts").iterdir()} == {"velocimeter", "optode", "ctd"}
    assert 'name = "OB-32"' in path.read_text()


def test_the_template_explains_every_section(template):
    for section in Book.model_fields:
        if section != "format":
            assert f"[{section}" in template
    assert template.count("#") > 50


def test_a_folder_that_holds_anything_is_refused_and_left_alone(tmp_path):
    (tmp_path / "photo.jpg").write_bytes(b"x")

    with pytest.raises(BookError, match=r"is 'photo.jpg'; it needs an empty folder. Choose another name"):
        new_mission(tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == ["photo.jpg"]


def test_a_file_in_the_way_is_refused(tmp_path):
    path = tmp_path / "OB-31"
    path.write_text("x")

    with pytest.raises(BookError, match="a folder that is empty or not there yet"):
        new_mission(path)


def load_generator():
    spec = importlib.util.spec_from_file_location("make_mission_book", ROOT / "docs" / "make_mission_book.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_the_page_of_keys_is_what_the_models_say():
    page = (ROOT / "docs" / "mission-book.md").read_text("utf-8")

    assert page == load_generator().page(), "run: python docs/make_mission_book.py"


def test_every_key_has_a_meaning():
    generator = load_generator()

    def walk(model):
        for name, field in model.model_fields.items():
            yield f"{model.__name__}.{name}", field.description
            for inner in generator.inner_models(field.annotation):
                yield from walk(inner)

    empty = [key for model in (Book, Layout) for key, description in walk(model) if not description]
    assert empty == []
