"""The token and its file."""

from __future__ import annotations

import os
import stat
from pathlib import Path

import pytest

from pointsman.page.token import LETTERS, Token, TokenError, take_token, usual_path


def mode(path: Path) -> int:
    return stat.S_IMODE(path.stat().st_mode)


def test_it_is_made_once_for_its_owner_alone(tmp_path: Path) -> None:
    before = os.umask(0)
    try:
        token, made = take_token(tmp_path / "token")
    finally:
        os.umask(before)
    text = (tmp_path / "token").read_text().strip()
    assert made and mode(tmp_path / "token") == 0o600
    assert len(text) == 24 and set(text) <= {*LETTERS, "-"}
    again, made_again = take_token(tmp_path / "token")
    assert not made_again and again.cookie == token.cookie
    assert take_token(tmp_path / "other")[0].cookie != token.cookie


def test_it_is_typed_as_one_types(tmp_path: Path) -> None:
    token = Token("abcd-efgh-jkmn-pqrs-tuvw")
    for typed in ("abcd-efgh-jkmn-pqrs-tuvw", " ABCD efgh\u2010JKMN pqrs tuvw\n"):
        assert token.is_token(typed)
    for typed in ("", "-", "abcd-efgh-jkmn-pqrs-tuv", "abcd-efgh-jkmn-pqrs-tuvww", token.cookie):
        assert not token.is_token(typed)
    assert token.is_cookie(token.cookie) and not token.is_cookie("abcdefghjkmnpqrstuvw")


def test_the_usual_place_is_made_for_its_owner(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "settings"))
    path = usual_path()
    assert path == tmp_path / "settings" / "pointsman" / "page-token"
    take_token(path)
    assert mode(path.parent) == 0o700 and mode(path) == 0o600
    assert usual_path({}) == Path.home() / ".config" / "pointsman" / "page-token"
    assert usual_path({"XDG_CONFIG_HOME": "here"}) == usual_path({})  # as the specification says


@pytest.mark.parametrize("mode", [0o640, 0o604, 0o660, 0o644])
def test_one_that_others_may_read_is_refused(tmp_path: Path, mode: int) -> None:
    path = tmp_path / "token"
    path.write_text("abcd-efgh-jkmn-pqrs-tuvw\n")
    path.chmod(mode)
    with pytest.raises(TokenError, match="open to other users; chmod 600 it"):
        take_token(path)


def test_what_is_no_token_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "token"
    path.write_text("")
    path.chmod(0o600)
    with pytest.raises(TokenError, match="shorter than 12 letters and digits"):
        take_token(path)
    path.write_text("-" * 40)
    with pytest.raises(TokenError, match="shorter than 12 letters and digits"):
        take_token(path)
    path.write_bytes(b"\xff" * 40)
    with pytest.raises(TokenError, match="shorter than 12"):
        take_token(path)
    with pytest.raises(TokenError, match="its folder is not there"):
        take_token(tmp_path / "none" / "token")
    (tmp_path / "link").symlink_to(path)
    with pytest.raises(TokenError, match=r"link: .*; name another file with --token-file"):
        take_token(tmp_path / "link")
    with pytest.raises(TokenError, match="Is a directory; name another file"):
        take_token(tmp_path)
    os.mkfifo(tmp_path / "pipe", 0o600)
    with pytest.raises(TokenError, match="no plain file"):
        take_token(tmp_path / "pipe")
