"""Every action as a form: nothing that a machine may do is missing for a person, and a form does what the call does."""

import re
from hashlib import sha256
from urllib.parse import unquote

import pytest
from fastapi.testclient import TestClient

from app.db import House
from app.main import make_app
from tests.small_factory import Factory
from tests.stories.test_pages import Browser, browser, factory  # noqa: F401


def test_every_writing_call_has_a_form_that_opens(house: House, browser: Browser) -> None:  # noqa: F811
    document = browser.client.app.openapi()  # type: ignore[attr-defined]
    calls = [path.removeprefix("/api/v1") for path, methods in document["paths"].items() if "post" in methods]
    listed = browser.get("/do")
    assert len(calls) > 50
    for call in calls:
        assert f"call={call.replace('{', '%7B').replace('}', '%7D')}" in listed, call
        page = browser.get(f"/do/act?call={call}")
        assert browser.page.status_code == 200, (call, page)
        assert "<form" in page


def test_a_form_that_is_sent_empty_says_what_is_missing(browser: Browser) -> None:  # noqa: F811
    """A browser that minds what is needed does not send it; who writes their own requests does."""
    browser.get("/do/act?call=/panels")
    for call in re.findall(r'call=([^"&]+)"', browser.get("/do")):
        name = unquote(call)
        page = browser.post("/do/act", call=name)
        assert browser.page.status_code in (403, 409, 422), (name, page)
        assert browser.page.status_code != 422 or "The form is not understood." in page, name


def test_a_field_beside_the_body_is_held_to_its_kind(browser: Browser) -> None:  # noqa: F811
    browser.get("/do/act?call=/placement_logs")
    page = browser.post("/do/act", call="/placement_logs", station="Attach", cells_from="7")
    assert browser.page.status_code == 422 and "Give one of:" in page


def test_batches_panels_and_a_lot_by_forms_alone(browser: Browser, factory: Factory) -> None:  # noqa: F811
    browser.get("/do/act?call=/batches")
    frames = re.search(r"B26-\d+-\w", browser.post("/do/act", call="/batches", part="FRAME", supplier="Harrow", supplier_batch="H-1"))
    assert frames is not None
    browser.get("/do/act?call=/panels")
    page = browser.post("/do/act", call="/panels", frames="H-1", count="3")
    panels = re.findall(r">(P26-\d+-\w)<", page)
    assert len(panels) == 3
    browser.get("/do/act?call=/panels")
    page = browser.post("/do/act", call="/panels", frames="H-1", marks="Row 7 left\r\nRow 7 right, Row 8")
    assert len(re.findall(r">P26-\d+-\w<", page)) == 3, "a frame's own mark may have blanks"
    assert "Row 7 right" in browser.get("/panels")
    browser.get("/do/act?call=/lots")
    page = browser.post("/do/act", call="/lots", product="P1", panels=" ".join(panels))
    assert re.search(r"L26-\d+-\w", page)


def test_a_field_of_several_says_how_a_number_with_blanks_is_typed(browser: Browser, factory: Factory) -> None:  # noqa: F811
    """A frame's mark may have blanks, and a field of several codes is parted at them."""
    frames = factory.batch("FRAME").code
    browser.get("/do/act?call=/panels")
    browser.post("/do/act", call="/panels", frames=frames, marks='Row 7\r\nRow "8" left')
    assert "a number with blanks in double quotes" in browser.get("/do/act?call=/lots")
    page = browser.post("/do/act", call="/lots", product="P1", panels='"Row 7" "Row ""8"" left"')
    assert re.search(r">L26-\d+-\w<", page), page


@pytest.mark.parametrize(("call", "name"), [("/samples", "kept"), ("/packs", "close"), ("/stations/{station}/attend", "here")])
def test_what_a_call_does_unless_told_otherwise_is_ticked_on_its_form(browser: Browser, call: str, name: str) -> None:  # noqa: F811
    """A sample that was taken by the form was destroyed, a full pack left open, and who attended a station left it, where nobody touched the box."""
    box = f'<input type="checkbox" name="{name}" value="yes"'
    assert f"{box} checked>" in browser.get(f"/do/act?call={call}")
    assert '<input type="checkbox" name="fact" value="yes">' in browser.page.text
    assert f"{box}>" in browser.post("/do/act", call=call), "what was unticked stays so on the form that comes back"


def test_a_long_list_is_taken_whole(browser: Browser, factory: Factory) -> None:  # noqa: F811
    """What went past 4,000 characters was cut off, and the rest of the panels never received."""
    browser.get("/do/act?call=/batches")
    browser.post("/do/act", call="/batches", part="FRAME", supplier="Harrow", supplier_batch="H-1")
    browser.get("/do/act?call=/panels")
    page = browser.post("/do/act", call="/panels", frames="H-1", marks="\r\n".join(f"LONG-MARK-{n:05}" for n in range(400)))
    assert len(re.findall(r">P26-\d+-\w<", page)) == 400


def test_a_key_that_no_form_has_is_refused(browser: Browser, factory: Factory) -> None:  # noqa: F811
    browser.get("/do/act?call=/batches")
    page = browser.post("/do/act", call="/batches", part="FRAME", key="".join(sha256(str(n).encode()).hexdigest() for n in range(60)))
    assert browser.page.status_code == 422 and "It is not the key of this form." in page


def test_a_name_of_several_words_stands_in_a_row_of_semicolons(browser: Browser) -> None:  # noqa: F811
    assert "or by ; where a name has spaces" in browser.get("/do/act?call=/people")
    rows = "wire bond; 2031-03-31T22:00:00Z\nmould;2032-03-31T22:00:00Z\nplasma 2033-03-31T22:00:00Z"
    page = browser.post("/do/act", call="/people", name="Mara", duties="operate", certificates=rows)
    assert browser.page.status_code == 200 and "not understood" not in page
    assert all(name in page for name in ("wire bond", "mould", "plasma", "2031", "2032", "2033")), page


def test_what_a_form_did_is_told_with_links_to_the_things_and_times_as_people_read_them(browser: Browser) -> None:  # noqa: F811
    """Times in the site's zone, as the page's foot says; and a code that was made a moment ago stands on no label yet."""
    browser.get("/do/act?call=/batches")
    page = browser.post("/do/act", call="/batches", part="GLUE", expires_at="2027-01-31T18:00")
    code = re.search(r"B26-\d+-\w", page)
    assert code is not None and f'href="/things/{code[0]}"' in page
    browser.get("/do/act?call=/people")
    added = browser.post("/do/act", call="/people", name="Mara", duties="operate", certificates="plasma 2027-01-31T18:00:00Z")
    assert '<span class="code">2027-01-31</span> 18:00 UTC' in added, added


def test_what_may_always_be_stated_stands_below_the_file_that_is_sent(browser: Browser) -> None:  # noqa: F811
    page = browser.get("/do/act?call=/wafers")
    assert page.index('name="files"') < page.index('name="happened_at"') < page.index('name="fact"')


def test_a_refused_form_keeps_what_was_typed(browser: Browser) -> None:  # noqa: F811
    browser.get("/do/act?call=/panels")
    page = browser.post("/do/act", call="/panels", frames="NOWHERE", count="3")
    assert browser.page.status_code == 404
    assert "Stop." in page
    assert 'value="NOWHERE"' in page
    page = browser.post("/do/act", call="/panels", frames="NOWHERE", count="many")
    assert browser.page.status_code == 422
    assert "count" in page


def test_a_secret_given_to_someone_is_no_signature_and_is_not_shown_again(browser: Browser) -> None:  # noqa: F811
    page = browser.get("/do/act?call=/people")
    assert "to sign" not in page and page.count('type="password" autocomplete="new-password"') == 2
    assert "their new PIN" in page and "their new password" in page
    page = browser.post("/do/act", call="/people", name="Bo", duties="no such duty", pin="402817", password="a long one")
    assert browser.page.status_code == 422 and 'value="Bo"' in page
    assert "402817" not in page and "a long one" not in page
    assert "your password, to sign" in browser.get("/do/act?call=/holds/{hold}/release")


def test_a_time_is_of_the_clock_on_the_wall_and_the_form_says_whose(browser: Browser) -> None:  # noqa: F811
    """Nobody at a goods-in desk writes what is printed on a syringe as 2027-03-01T00:00:00+01:00."""
    browser.client.app.state.zone = "Asia/Kathmandu"  # type: ignore[attr-defined]
    page = browser.get("/do/act?call=/batches")
    assert '<label for="f-expires_at">expires at (Asia/Kathmandu)' in page and 'name="expires_at" type="datetime-local"' in page
    assert "ISO" not in page
    page = browser.post("/do/act", call="/batches", part="NOWHERE", expires_at="2027-03-01T00:00")
    assert browser.page.status_code == 404 and 'type="datetime-local" value="2027-03-01T00:00"' in page, "a refused form keeps it"
    done = re.search(r"B26-\d+-\w", browser.post("/do/act", call="/batches", part="GLUE", expires_at="2027-03-01T00:00"))
    assert done is not None and "2027-03-01 00:00 +0545" in browser.get(f"/batches?q={done[0]}")
    other = re.search(r"B26-\d+-\w", browser.post("/do/act", call="/batches", part="GLUE", expires_at="2027-03-01T00:00:00Z"))
    assert other is not None and "2027-03-01 05:45 +0545" in browser.get(f"/batches?q={other[0]}"), "one with its zone is that moment"


def test_a_time_that_clocks_were_set_forward_over_is_refused_and_kept(browser: Browser) -> None:  # noqa: F811
    """02:00 CET (UTC+1) becomes 03:00 CEST (UTC+2) on 2027-03-28: IANA time zone database."""
    browser.client.app.state.zone = "Europe/Vienna"  # type: ignore[attr-defined]
    browser.get("/do/act?call=/batches")
    page = browser.post("/do/act", call="/batches", part="GLUE", expires_at="2027-03-28T02:30")
    assert browser.page.status_code == 422 and "No clock in Europe/Vienna showed 02:30 on 2027-03-28" in page
    assert 'value="2027-03-28T02:30"' in page and "Give the time that the clock showed." in page
    for time in ("2027-03-28T03:00", "2027-03-28T02:30+01:00"):
        browser.post("/do/act", call="/batches", part="GLUE", expires_at=time)
        assert browser.page.status_code == 200, time


@pytest.mark.parametrize("time", ["0001-01-01T00:00+14:00", "9999-12-31T23:59-11:00"])
def test_a_time_that_is_past_all_clocks_is_refused_and_stays_as_it_was_typed(browser: Browser, time: str) -> None:  # noqa: F811
    browser.get("/do/act?call=/batches")
    page = browser.post("/do/act", call="/batches", part="GLUE", expires_at=time)
    assert browser.page.status_code == 422 and f'value="{time}"' in page
    assert browser.client.get("/do/act", params={"call": "/batches", "expires_at": time}).status_code == 200


def test_a_batch_that_never_expires_has_its_pages_wherever_the_site_is(browser: Browser) -> None:  # noqa: F811
    """The last second of the year 9999, as many a system writes it, is in no year that a clock in Kathmandu has."""
    browser.client.app.state.zone = "Asia/Kathmandu"  # type: ignore[attr-defined]
    browser.get("/do/act?call=/batches")
    page = browser.post("/do/act", call="/batches", part="GLUE", expires_at="9999-12-31T23:59:59Z")
    (code,) = set(re.findall(r"B26-\d+-\w", page))
    for path in ("/batches", f"/things/{code}", f"/trace/{code}"):
        assert "9999-12-31 23:59 UTC" in browser.get(path), path


def test_names_of_the_catalogue_are_offered(browser: Browser) -> None:  # noqa: F811
    page = browser.get("/do/act?call=/batches")
    assert 'name="part" list="names-part"' in page and '<option value="FRAME">' in page
    page = browser.get("/do/act?call=/lots")
    assert 'name="product" list="names-product"' in page and 'name="order" list="names-order"' in page


def test_what_is_done_with_a_thing_is_offered_with_the_thing_filled_in(browser: Browser) -> None:  # noqa: F811
    """A lead who is sent for to let a lot go on has its page before them."""
    page = browser.get("/do?kind=lot&thing=L26-000001-5")
    for call, field in (("/lots/{lot}/split", "lot"), ("/at_risk", "things"), ("/holds", "subject"), ("/loads/{load}/put", "things")):
        assert f"call={call.replace('{', '%7B').replace('}', '%7D')}&amp;{field}=L26-000001-5" in page, call
    assert "/packs/" not in page and "/people" not in page.partition("<main")[2]
    assert "at risk" in page
    assert "mount&amp;item=W26" in browser.get("/do?kind=wafer&thing=W26-000001-5")


@pytest.mark.parametrize(
    ("kind", "refused", "taken"),
    [
        ("pack", ["/containers/{container}/put", "/loads/{load}/put", "/at_risk", "/scrap", "/counts", "/counts/sign"], ["/samples", "/moves"]),
        ("sample", ["/loads/{load}/put", "/at_risk", "/scrap", "/samples", "/counts", "/counts/sign"], ["/containers/{container}/put", "/moves"]),
        ("wafer", ["/samples", "/counts", "/counts/sign"], ["/scrap", "/moves"]),
        ("batch", ["/scrap", "/samples"], ["/counts", "/counts/sign", "/moves"]),
    ],
)
def test_what_is_always_refused_of_a_kind_is_not_offered_for_it(browser: Browser, kind: str, refused: list[str], taken: list[str]) -> None:  # noqa: F811
    """Whoever has a reel in hand was sent to put it into a tray, and told that it can't be put in as it is."""
    offered = {unquote(call) for call in re.findall(r"call=([^&\"]+)", browser.get(f"/do?kind={kind}&thing=X"))}
    assert not offered & set(refused) and offered > set(taken)


def test_what_the_readers_duties_do_not_open_names_the_duty_that_does(browser: Browser) -> None:  # noqa: F811
    listed = re.findall(r">([^<]+)</a>(?: <span class=\"soft\">\(done by the duty ([^)]+)\)</span>)?</li>", browser.get("/do").partition("<main")[2])
    duties = dict(listed)
    assert duties["Let panels go on at risk: while a judgement is open, up to the barrier"] == "lead"
    assert "" == duties["Place a hold"] == duties["Release a hold, signed"]
    for call, said in zip(re.findall(r'call=([^"&]+)"', browser.page.text), [said for _, said in listed], strict=True):
        browser.get("/do/act?call=/holds")
        browser.post("/do/act", call=unquote(call))
        assert (browser.page.status_code == 403) == bool(said), call


def test_a_wafer_map_by_form(browser: Browser) -> None:  # noqa: F811
    browser.get("/do/act?call=/wafers")
    token = re.search(r'name="form_token" value="([^"]*)"', browser.page.text)
    assert token is not None
    text = b"wafer: RD1\norigin: UpperLeft\naxis: DownRight\n\n1111\n1111\n"
    data = {"form_token": token[1], "call": "/wafers", "part": "WR", "passing": "1", "null": "none"}
    client: TestClient = browser.client
    page = client.post("/do/act", data=data, files=[("files", ("map.txt", text))], headers={"Origin": "http://testserver"})
    assert "W26-" in page.text, page.text
    many = [("files", (f"{n}.txt", text.replace(b"RD1", f"RD1-{n}".encode()))) for n in range(52)]
    page = client.post("/do/act", data=data, files=many, headers={"Origin": "http://testserver"})
    assert len(re.findall(r">W26-\d+-\w<", page.text)) == 50 and "2 more, 52 in all" in page.text


def test_without_a_session_forms_send_to_the_sign_in(house: House, factory: Factory) -> None:  # noqa: F811
    with TestClient(make_app(house.settings, house)) as client:
        assert client.get("/do", follow_redirects=False).status_code == 303
