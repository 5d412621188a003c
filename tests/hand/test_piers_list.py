"""Which piers a folder or a piers.toml names, and what is said of a wrong list: file, line, column."""

import pytest

from drift.errors import PierListError
from drift.piers.listing import is_list, listed_piers, pier_list

SITE = "[site]\nlatitude_deg = 47.3\nlongitude_deg = -92.4\nelevation_m = 410\n"


def site(folder, name="pier.toml", text=SITE):
    folder.mkdir(parents=True, exist_ok=True)
    (folder / name).write_text(text)
    return folder / name


def names(place):
    return [pier.name for pier in listed_piers(place)]


def refused(place):
    with pytest.raises(PierListError) as wrong:
        listed_piers(place)
    said = str(wrong.value)
    assert "\n" not in said  # one paragraph
    return said


def test_a_folder_is_searched_one_level_deep(tmp_path):
    site(tmp_path / "west")
    site(tmp_path / "east")
    site(tmp_path / "east" / "too deep")
    site(tmp_path / "other", "site.toml")
    assert names(tmp_path) == ["east", "west"]
    assert [pier.site_path for pier in listed_piers(tmp_path)] == [
        tmp_path / "east" / "pier.toml",
        tmp_path / "west" / "pier.toml",
    ]


def test_a_folder_may_be_a_pier_itself_and_hold_others_also_one_of_its_own_name(tmp_path):
    club = tmp_path / "club"
    site(club)
    site(club / "club")
    site(club / "west")
    assert names(club) == ["club", "club (above)", "west"]


def test_a_list_in_the_folder_comes_before_what_lies_in_it(tmp_path):
    site(tmp_path / "west")
    site(tmp_path / "east")
    (tmp_path / "piers.toml").write_text('files = ["west/pier.toml"]\n')
    assert names(tmp_path) == names(tmp_path / "piers.toml") == ["west"]


def test_paths_patterns_folders_and_names(tmp_path):
    for name in ("a", "b", "c"):
        site(tmp_path / "in" / name)
    site(tmp_path / "in", "tall one.toml")
    (tmp_path / "piers.toml").write_text(
        'files = ["in/*/pier.toml", "in/tall one.toml"]\n\n[[pier]]\nfile = "in/b"\nname = "the second"\n'
    )
    assert names(tmp_path) == ["a", "c", "tall one", "the second"]


def test_a_path_that_leads_nowhere_is_a_pier_that_will_say_so(tmp_path):
    (tmp_path / "piers.toml").write_text('files = ["gone/pier.toml"]\n')
    assert names(tmp_path) == ["gone"]


@pytest.mark.parametrize(
    ("text", "where", "part"),
    [
        ('files = ["a" "b"]\n', "line 1, column 14", "no closing ]"),
        ("files = [3]\n", "line 1, column 10", "a site file is 3"),
        ('files = "west"\n', "line 1, column 1", "an array of texts"),
        ('\nfiles = ["west/pier.toml", "no*e"]\n', "line 2, column 28", "'no*e' matches no file"),
        ('piers = ["a"]\n', "line 1, column 1", "no key 'piers'"),
        ('[[pier]]\nname = "a"\n', "line 1, column 1", "needs `file`"),
        ('[[pier]]\nfile = "west"\nnam = "a"\n', "line 3, column 1", "no key 'nam'"),
        ('[[pier]]\nfile = "west"\nname = "a/b"\n', "line 3, column 1", "'a/b'"),
        ('[[pier]]\nfile = "*"\nname = "a"\n', "line 2, column 1", "matches no file"),
        ('[[pier]]\nfile = "*/pier.toml"\nname = "a"\n', "line 3, column 1", "matches 2 site files"),
        ('files = ["west"]\n[[pier]]\nfile = "east"\nname = "west"\n', "line 1, column 10", "both be called"),
        ("", "line 1, column 1", "names no pier"),
        ("[pier]\nfile = 'west'\n", "line 1, column 1", "[[pier]]"),
        ('files = ["west"]\nweather = "air"\n', "line 2, column 1", '["weather"]'),
        ('files = ["west"]\nweather = ["air", 3]\n', "line 2, column 19", "a weather folder is 3"),
        ('files = ["west"]\nweather = [" "]\n', "line 2, column 12", "a weather folder is ' '"),
        ('files = ["west"]\nweather = ["west/pier.toml"]\n', "line 2, column 12", "is no folder"),
        ('weather = ["west"]\n', "line 1, column 1", "names no pier"),
    ],
)
def test_a_wrong_list_is_told_with_line_and_column(tmp_path, text, where, part):
    site(tmp_path / "west")
    site(tmp_path / "east")
    (tmp_path / "piers.toml").write_text(text)
    said = refused(tmp_path)
    assert f"{tmp_path / 'piers.toml'}, {where}: " in said
    assert part in said


def test_text_that_is_not_utf8_and_a_place_without_piers(tmp_path):
    assert "no list of piers" in refused(tmp_path / "nowhere")
    assert "no site file" in refused(tmp_path)
    (tmp_path / "piers.toml").write_bytes(b'files = ["\xff"]\n')
    assert "line 1, column 11: the byte 0xff" in refused(tmp_path)


def test_two_piers_with_one_record_are_refused_by_both_names(tmp_path):
    shared = f'{SITE}[store]\nurl = "sqlite:///{tmp_path}/all.sqlite"\n'
    site(tmp_path / "west", text=shared)
    site(tmp_path / "east", text=shared)
    said = refused(tmp_path)
    assert "'east'" in said and "'west'" in said and "all.sqlite" in said


def test_a_password_of_a_shared_record_is_not_told(tmp_path):
    shared = f'{SITE}[store]\nurl = "postgresql+psycopg://club:hidden-word@db/piers"\n'
    site(tmp_path / "west", text=shared)
    site(tmp_path / "east", text=shared)
    assert "hidden-word" not in refused(tmp_path)


def test_one_database_on_a_server_holds_many_piers_by_their_names(tmp_path):
    url = '[store]\nurl = "postgresql+psycopg://club@db/piers"\n'
    site(tmp_path / "west", text=f'{SITE}{url}pier = "west"\n')
    site(tmp_path / "east", text=f'{SITE}{url}pier = "east"\n')
    assert names(tmp_path) == ["east", "west"]
    site(tmp_path / "east", text=f'{SITE}{url}pier = "west"\n')
    assert "under the name 'west'" in refused(tmp_path)


def test_weather_folders_are_taken_from_the_list_and_each_once(tmp_path):
    site(tmp_path / "club" / "west")
    (tmp_path / "air").mkdir()
    (tmp_path / "club" / "piers.toml").write_text(
        f'files = ["west"]\nweather = ["../air", "not there yet", "{tmp_path}/air", "../air/"]\n'
    )
    found = pier_list(tmp_path / "club")
    assert [folder.resolve() for folder in found.weather] == [
        tmp_path / "air",
        tmp_path / "club" / "not there yet",
    ]
    assert found.piers == listed_piers(tmp_path / "club")
    (tmp_path / "club" / "piers.toml").unlink()
    assert pier_list(tmp_path / "club").weather == ()


def test_what_is_a_list(tmp_path):
    assert is_list(tmp_path) and is_list(tmp_path / "piers.toml")
    assert not is_list(tmp_path / "pier.toml")
