"""Words after "Token" or "Digest" are headings more often than authorisation headers."""

from __future__ import annotations

import pytest

from forerun.stages.sanitise_detect import find_credentials
from forerun.stages.sanitise_vault import Vault


@pytest.mark.parametrize(
    "text",
    ["Token Revocation", "Digest Authentication follows", "Bearer well-known", "Token REVOCATION"],
)
def test_plain_words_are_no_tokens(text: str) -> None:
    """A heading stays as it is: taken for a secret it would be hunted for everywhere."""
    assert list(find_credentials(text, Vault())) == []


def test_a_token_of_a_header_is_found() -> None:
    """The same places with a real token in them (form of RFC 6750, 2.1)."""
    edits = list(find_credentials("Authorization: Bearer mF_9.B5f-4.1JqM", Vault()))
    assert [(edit.rule, edit.kind) for edit in edits] == [("authorisation", "bearer")]
