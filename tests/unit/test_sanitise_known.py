"""Known secrets in other forms: none is missed, and each becomes the replacement's form."""

from __future__ import annotations

import base64
import hashlib

from hypothesis import given, settings
from hypothesis import strategies as st

from forerun.stages.sanitise_base64 import CODED, CODED_TEXT, read_base64_text
from forerun.stages.sanitise_encoded import list_forms, pair_forms
from forerun.stages.sanitise_known import KnownTexts
from forerun.stages.sanitise_vault import Vault, encode

LOGINS = ("op", "web")
SECRETS = st.text(alphabet="abcXYZ0189+/=-_!$%&'\"\\\\ \u00e9<", min_size=8, max_size=40)
AROUND = st.text(alphabet="aZ09+/=-_ \n:$*{}", max_size=20)


def learn(secrets: list[str]) -> tuple[KnownTexts, Vault]:
    vault = Vault(key=b"k" * 32)
    for secret in secrets:
        vault.swap(secret, rule="named-value", sweep=True)
    known = KnownTexts(vault)
    known.learn(LOGINS)
    return known, vault


@settings(deadline=None)
@given(st.lists(SECRETS, min_size=1, max_size=5, unique=True), st.data())
def test_no_form_is_missed_wherever_it_stands(secrets: list[str], data: st.DataObject) -> None:
    """Any form, with any neighbours: the search that looks at first characters finds what
    asking about every secret finds, and that is at least what was put there."""
    known, vault = learn(secrets)
    forms = [form for secret in secrets for form in (secret, *list_forms(secret, LOGINS)) if form]
    chosen = data.draw(st.lists(st.sampled_from(forms), max_size=4))
    content = encode("".join(data.draw(AROUND) + form for form in chosen) + data.draw(AROUND))
    found = known.find(content)
    assert found == known.list_all(content)
    replaced = {old for old, _ in found}
    made = {new for secret in secrets for new in [vault.find(secret)]}
    assert {form for form in chosen if form not in made} <= replaced
    assert [len(old) for old, _ in found] == sorted((len(old) for old, _ in found), reverse=True)


def test_what_stands_for_a_form_is_the_replacements_form() -> None:
    """RFC 4648 and the digests, by the standard library."""
    known, vault = learn(["correct-horse-7"])
    new = vault.find("correct-horse-7")
    assert new is not None
    for write in (
        lambda text: base64.b64encode(text.encode()).decode(),
        lambda text: text.encode().hex(),
        lambda text: hashlib.sha256(text.encode()).hexdigest(),
        lambda text: hashlib.md5(f"{text}op".encode()).hexdigest(),  # PostgreSQL, section 20.5
        lambda text: hashlib.sha512(f"{text}\n".encode()).hexdigest().upper(),
    ):
        old_form, new_form = write("correct-horse-7"), write(new)
        assert known.find(f"x = md5{old_form};".encode()) == [(old_form, new_form)]
    assert known.find(b"x = correct-horse-8") == []


def test_a_form_taken_for_a_token_of_its_own_is_settled() -> None:
    """The copy already holds what was drawn for it: that, too, becomes the right form."""
    vault = Vault(key=b"k" * 32)
    digest = hashlib.sha1(b"correct-horse-7").hexdigest()
    drawn = vault.swap(digest, rule="random-token")
    new = vault.swap("correct-horse-7", rule="named-value", sweep=True)
    known = KnownTexts(vault)
    known.learn(())
    right = hashlib.sha1(new.encode()).hexdigest()
    assert known.find(f"a={drawn}".encode()) == [(drawn, right)]
    assert known.find(f"a={digest}".encode()) == [(digest, right)]


def test_secrets_learned_later_are_found_too() -> None:
    known, vault = learn(["first-Secret-1"])
    vault.swap("second-Secret-2", rule="named-value", sweep=True)
    assert known.find(b"second-Secret-2") == []
    known.learn((*LOGINS, "later"))
    assert [old for old, _ in known.find(b"second-Secret-2 first-Secret-1")] == [
        "second-Secret-2", "first-Secret-1",
    ]  # fmt: skip
    salted = hashlib.md5(b"first-Secret-1later").hexdigest()
    assert [old for old, _ in known.find(salted.encode())] == [salted]


def test_forms_pair_one_to_one() -> None:
    pairs = list(pair_forms("pass word\u00e9%", "new! w0rd", LOGINS))
    assert len(pairs) >= 40
    assert all(old and new for old, new in pairs)


@given(st.text(min_size=8, max_size=40), st.booleans(), st.booleans())
def test_every_token_that_holds_text_is_looked_at(text: str, urlsafe: bool, bare: bool) -> None:
    """Whatever `read_base64_text` reads, of the tokens that are long enough."""
    try:
        data = text.encode()
    except UnicodeEncodeError:
        return
    token = (base64.urlsafe_b64encode if urlsafe else base64.b64encode)(data).decode()
    token = token.rstrip("=") if bare else token
    if CODED.fullmatch(token) and read_base64_text(token):
        assert CODED_TEXT.fullmatch(token)
        assert CODED_TEXT.search(f"key={token[:0]} {token};")


@given(st.text(alphabet="ABCghiwxyz0189+/-_=", min_size=16, max_size=40))
def test_no_readable_token_is_passed_over(token: str) -> None:
    """Tokens of any letters: those that can be read are a part of those looked at."""
    if CODED.fullmatch(token) and read_base64_text(token):
        assert CODED_TEXT.fullmatch(token)
