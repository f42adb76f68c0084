"""The documents and pages that the service makes of itself, labels, attachments, the directory, and caching."""

import json
import os
import shutil
import subprocess
from hashlib import sha256
from xml.etree import ElementTree

import pytest
from openapi_spec_validator import validate
from stdnum.iso7064 import mod_37_36

from service_api.domain.entries.registry import TYPES
from service_api.http.problems import PROBLEMS
from tests import factories as make
from tests.api.reading_back import PROBLEM, faults, slug

TAG = "FT.J3K70S6ET"  # SEL-004's in seed/depot.py; its check character by ISO/IEC 7064 MOD 37,36
PNG = b"\x89PNG\r\n\x1a\n" + b"made up"
JPEG = b"\xff\xd8\xff" + b"made up"


def digest(content):
    return sha256(content).hexdigest()


# The OpenAPI document


@pytest.fixture
def document(client):
    return client.get("/v1/openapi.json").json


def test_the_document_is_valid_openapi(document):
    assert document["openapi"].startswith("3.1")
    validate(document)


def test_the_document_is_open_to_everybody(stranger):
    assert 200 == stranger.get("/v1/openapi.json").status_code


def test_every_route_stands_in_the_document(app, document):
    """Every route under /v1, with each of its methods."""
    routes = {
        (rule.rule.replace("<path:", "<").replace("<", "{").replace(">", "}").replace("_}", "}"), method.lower())
        for rule in app.url_map.iter_rules()
        for method in rule.methods - {"HEAD", "OPTIONS"}
        if rule.rule.startswith("/v1")
    }
    assert len(routes) > 20
    assert set() == routes - {(path, method) for path, item in document["paths"].items() for method in item}


def test_every_entry_type_has_a_component(document):
    schemas = document["components"]["schemas"]
    assert set() == {f"Entry.{name}" for name in TYPES} - schemas.keys()
    listed = {ref["$ref"].rpartition("/")[2] for ref in schemas["Entry"]["oneOf"]}
    assert {f"Entry.{name}" for name in TYPES} == listed
    for name in TYPES:
        assert name == schemas[f"Entry.{name}"]["properties"]["type"]["const"]


def test_every_operation_says_what_it_does_and_what_it_refuses(document):
    seen = set()
    for path, item in document["paths"].items():
        for method, operation in item.items():
            assert operation["summary"], (method, path)
            assert operation["operationId"] not in seen
            seen.add(operation["operationId"])
            if path.startswith("/v1") and operation.get("security") != []:
                assert "401" in operation["responses"], (method, path)


def test_the_schema_of_an_entry_takes_what_the_service_takes(document):
    """A second reader of the same form: the JSON Schema of the document agrees with the service about these."""
    from jsonschema import Draft202012Validator

    def valid(entry):
        whole = document | {"$ref": f"#/components/schemas/Entry.{entry['type']}"}
        return Draft202012Validator(whole).is_valid(entry)

    assert valid(make.reading("0.30", hours="100", gauge="G-1"))
    assert valid(make.sheet_issued())
    assert valid(make.fitted())
    assert not valid(make.reading("0.30", stage="found"))
    assert not valid(make.scanned(colour="red"))
    assert not valid(make.reading("1e3"))


# Pages


def test_the_docs_list_every_type_and_every_problem(client):
    page = client.get("/docs")
    assert (200, "text/html; charset=utf-8") == (page.status_code, page.content_type)
    assert [] == [name for name in TYPES if name not in page.text]
    assert [] == [name for name in PROBLEMS if name not in page.text]


def test_the_docs_need_nothing_from_elsewhere(client):
    for path in ("/", "/docs", "/problems/malformed"):
        text = client.get(path).text
        assert "http://" not in text.replace("http://localhost", "")
        assert "//cdn" not in text
        assert "<script" not in text


@pytest.mark.parametrize("name", sorted(PROBLEMS))
def test_every_problem_has_a_page_that_says_what_to_do(stranger, name):
    page = stranger.get(f"/problems/{name}")
    assert 200 == page.status_code
    assert str(PROBLEMS[name].status) in page.text
    assert len(PROBLEMS[name].do) > 10


def test_a_problem_that_there_is_not_is_404(stranger):
    answer = stranger.get("/problems/nothing")
    assert (404, PROBLEM) == (answer.status_code, answer.content_type)


def test_the_front_page_leads_to_bench_and_docs(stranger):
    text = stranger.get("/").text
    assert "/bench/" in text
    assert "/docs" in text


@pytest.mark.parametrize(
    "path",
    [
        "/bench/../service_api/app.py",
        "/bench/%2e%2e/%2e%2e/pyproject.toml",
        "/bench/..%2f..%2fpyproject.toml",
        "/bench//etc/passwd",
        "/bench/tests/say.test.mjs",
        "/bench/nothing.js",
    ],
)
def test_the_bench_folder_gives_nothing_but_the_page(stranger, path):
    with stranger.get(path) as answer:
        assert answer.status_code in (308, 404)
        assert b"[project]" not in answer.data
        assert b"root:" not in answer.data


# Health


def test_a_healthy_service_says_so(stranger):
    assert (200, "up") == ((a := stranger.get("/healthz")).status_code, a.json["status"])
    assert (200, "ready") == ((a := stranger.get("/readyz")).status_code, a.json["status"])


def test_a_service_without_its_store_is_up_and_not_ready(stranger, store):
    store.close()
    for file in store.settings.data.glob("fettlebook.db*"):
        file.unlink()
    assert 200 == stranger.get("/healthz").status_code
    answer = stranger.get("/readyz")
    assert (503, "not ready") == (answer.status_code, answer.json["status"])


def test_a_store_of_another_revision_is_not_ready(stranger, store):
    from sqlalchemy import text

    with store.writing.begin() as connection:
        connection.execute(text("UPDATE alembic_version SET version_num = '9999'"))
    assert 503 == stranger.get("/readyz").status_code


# Tags and labels


def missing(program):
    """Skipped aloud; where everything must run (CI) it fails."""
    if os.environ.get("CI") == "true":
        pytest.fail(f"{program} is not installed, and every test must run here")
    pytest.skip(f"NOT TESTED: {program} is not installed")


@pytest.fixture
def tagged(tell):
    tell(make.registered(), make.tag_attached(TAG))


def test_the_label_is_read_by_a_reader_of_its_own(client, tagged, tmp_path):
    """zbar reads the tag twice: from the Code 128 and from the QR."""
    program = shutil.which("zbarimg")
    if program is None:
        missing("zbarimg")
    answer = client.get(f"/v1/tags/{TAG}/label.png")
    assert (200, "image/png") == (answer.status_code, answer.content_type)
    file = tmp_path / "label.png"
    file.write_bytes(answer.data)
    said = subprocess.run([program, "--quiet", file], capture_output=True, text=True, check=True, timeout=60).stdout
    assert {f"CODE-128:{TAG}", f"QR-Code:{TAG}"} == set(said.split())


def test_the_drawn_label_is_well_formed_and_names_the_unit(client, tagged):
    answer = client.get(f"/v1/tags/{TAG}/label.svg")
    assert (200, "image/svg+xml") == (answer.status_code, answer.content_type)
    tree = ElementTree.fromstring(answer.data)
    assert "{http://www.w3.org/2000/svg}svg" == tree.tag
    words = " ".join(t.strip() for t in tree.itertext())
    assert "U-1" in words
    assert TAG in words


def test_a_label_is_not_sent_twice(client, tagged):
    for kind in ("svg", "png"):
        first = client.get(f"/v1/tags/{TAG}/label.{kind}")
        again = client.get(f"/v1/tags/{TAG}/label.{kind}", headers={"If-None-Match": first.headers["ETag"]})
        assert (304, b"") == (again.status_code, again.data)


def test_only_a_tag_that_is_known_has_a_label(client, tagged):
    nobodys = "FT.NH0VFT7ND"
    assert nobodys.endswith(mod_37_36.calc_check_digit("NH0VFT7N"))
    assert 404 == client.get(f"/v1/tags/{nobodys}/label.svg").status_code
    wrong = client.get("/v1/tags/FT.J3K70S6EA/label.svg")
    assert (422, "bad-tag") == (wrong.status_code, slug(wrong.json))


def test_a_minted_tag_has_a_label_before_it_is_tied_on(client, book):
    (tag,) = client.post("/v1/tags", json={"count": 1}).json["tags"]
    assert 200 == client.get(f"/v1/tags/{tag}/label.svg").status_code
    assert "unknown" == client.get(f"/v1/tags/{tag}").json["status"]


def test_minted_tags_are_checked_and_unlike(client, book):
    """DESIGN section 3: `FT.`, 8 characters and a check character of ISO/IEC 7064 MOD 37,36, all of one alphabet."""
    found = client.post("/v1/tags", json={"count": 200})
    assert 201 == found.status_code
    tags = found.json["tags"]
    assert 200 == len(set(tags))
    for tag in tags:
        assert tag.startswith("FT.")
        assert set(tag[3:]) <= set("0123456789BCDEFGHJKLNPRSTUVX")
        assert mod_37_36.is_valid(tag[3:])


@pytest.mark.parametrize(
    "body",
    [
        {},
        {"count": 0},
        {"count": -1},
        {"count": 5001},
        {"count": "1"},
        {"count": True},
        {"count": 1, "x": 1},
        [1],
        7,
        None,
    ],
)
def test_a_wrong_number_of_tags_is_refused(client, book, body):
    answer = client.post("/v1/tags", data=json.dumps(body), content_type="application/json")
    assert (422, PROBLEM) == (answer.status_code, answer.content_type)


def test_a_tag_says_what_wears_it_what_wore_it_and_what_its_last_wearer_wears_now(client, tell, ask):
    tell(
        make.registered(occurred_at="2026-01-05T08:00:00Z"),
        make.tag_attached(TAG, occurred_at="2026-01-05T08:10:00Z"),
        make.tag_detached(TAG, occurred_at="2026-01-05T09:00:00Z"),
        make.tag_attached("OWNER-7", occurred_at="2026-01-05T09:10:00Z"),
    )
    gone = ask(f"/v1/tags/{TAG}")
    assert ("valid", "detached", None, "OWNER-7") == tuple(gone[k] for k in ("check", "status", "unit", "now_wears"))
    assert ["U-1"] == [w["unit"] for w in gone["worn_before"]]
    worn = ask("/v1/tags/OWNER-7")
    assert ("none", "attached", "U-1") == tuple(worn[k] for k in ("check", "status", "unit"))
    assert "attached" == ask(f"/v1/tags/{TAG}", true_at="2026-01-05T08:30:00Z")["status"]
    assert ("invalid", "unknown") == tuple(ask("/v1/tags/FT.J3K70S6EA")[k] for k in ("check", "status"))
    assert TAG == ask(f"/v1/tags/{TAG.lower()}")["tag"]


# Attachments


def put(client, content, media="image/png", name=None):
    return client.put(f"/v1/attachments/{name or digest(content)}", data=content, content_type=media)


@pytest.mark.parametrize(
    ("content", "media"),
    [
        (PNG, "image/png"),
        (JPEG, "image/jpeg"),
        (b"%PDF-1.7", "application/pdf"),
        (b"a,b\n", "text/csv"),
        (b"{}", "application/json"),
    ],
)
def test_an_attachment_is_kept_under_its_digest_and_given_back_as_a_download(client, book, content, media):
    stored = put(client, content, media)
    assert (201, {"sha256": digest(content), "media_type": media, "bytes": len(content)}) == (
        stored.status_code,
        stored.json,
    )
    assert 200 == put(client, content, media).status_code, "the same again"
    answer = client.get(f"/v1/attachments/{digest(content)}")
    assert (200, content) == (answer.status_code, answer.data)
    assert answer.headers["Content-Disposition"].startswith("attachment;")
    assert "nosniff" == answer.headers["X-Content-Type-Options"]
    assert "sandbox" in answer.headers["Content-Security-Policy"]


def test_bytes_under_another_digest_are_refused(client, book, store):
    answer = put(client, PNG, name="0" * 64)
    assert (422, "wrong-form") == (answer.status_code, slug(answer.json))
    assert 404 == client.get(f"/v1/attachments/{'0' * 64}").status_code
    assert [] == [f for f in store.attachments.rglob("*") if f.is_file()]


@pytest.mark.parametrize(
    ("content", "media", "status"),
    [
        (PNG, "image/jpeg", 422),
        (b"<svg/>", "image/svg+xml", 415),
        (b"<html>", "text/html", 415),
        (b"<html>", "image/png", 422),
        (b"\xff\xfe", "text/csv", 422),
        (b"MZ", "application/octet-stream", 415),
        (b"", "image/png", 422),
    ],
)
def test_bytes_of_another_kind_are_refused(client, book, content, media, status):
    assert status == put(client, content, media).status_code


@pytest.mark.parametrize("name", ["x", "A" * 64, "0" * 63, "..", "0" * 64 + "%2F.."])
def test_an_address_that_is_no_digest_holds_nothing(client, book, name):
    assert 404 == client.get(f"/v1/attachments/{name}").status_code
    assert put(client, PNG, name=name).status_code in (404, 405)


def test_an_attachment_over_20_mib_is_413(client, book):
    content = PNG + bytes(20 * 1024 * 1024)
    assert 413 == put(client, content).status_code


def test_an_attachment_that_is_here_is_not_awaited(client, tell, book):
    put(client, PNG)
    photo = {"sha256": digest(PNG), "media_type": "image/png", "bytes": len(PNG), "name": "photo"}
    _, entry = tell(make.registered(), make.scanned(attachments=[photo]))
    assert [] == entry["warnings"]


# People and parties


@pytest.mark.parametrize(
    ("path", "body", "changed"),
    [
        ("/v1/people", {"id": "eve.new", "name": "Eve New", "role": "bench"}, {"name": "Eva New"}),
        ("/v1/people", {"id": "eve.new", "name": "Eve New", "role": "bench"}, {"role": "lead"}),
        ("/v1/parties", {"id": "party-n", "name": "New & Co"}, {"name": "New and Co"}),
    ],
)
def test_the_directory_takes_an_id_once(client, book, path, body, changed):
    """CONTRACT A, People: 201, the same again 200, the id with other content 409."""
    answers = [client.post(path, json=b) for b in (body, body, body | changed)]
    assert [201, 200, 409] == [a.status_code for a in answers]
    assert (body, "id-reused") == (answers[0].json, slug(answers[2].json))
    assert body in [{k: row[k] for k in body} for row in client.get(path).json[path.rpartition("/")[2]]]


@pytest.mark.parametrize(
    ("body", "expected"),
    [
        ({"name": "X", "role": "bench"}, ("/id", "missing-member")),
        ({"id": "a b", "name": "X", "role": "bench"}, ("/id", "wrong-form")),
        ({"id": 7, "name": "X", "role": "bench"}, ("/id", "wrong-form")),
        ({"id": "x", "name": " ", "role": "bench"}, ("/name", "wrong-form")),
        ({"id": "x", "name": "a\x00", "role": "bench"}, ("/name", "wrong-form")),
        ({"id": "x", "name": "x" * 201, "role": "bench"}, ("/name", "wrong-form")),
        ({"id": "x", "name": "X", "role": "king"}, ("/role", "unknown-word")),
        ({"id": "x", "name": "X", "role": "bench", "age": 7}, ("/age", "extra-member")),
        ({"id": "x", "name": None, "role": "bench"}, ("/name", "wrong-form")),
        ([], ("", "wrong-form")),
        (None, ("", "wrong-form")),
    ],
)
def test_a_malformed_person_is_refused(client, book, body, expected):
    before = client.get("/v1/people").json
    answer = client.post("/v1/people", data=json.dumps(body), content_type="application/json")
    assert (422, [expected]) == (answer.status_code, faults(answer.json))
    assert before == client.get("/v1/people").json


def test_a_person_of_the_directory_may_act_at_once(client, post, book):
    entry = make.registered(by="eve.new", more={"origin": "unidentified"})
    assert 422 == post(entry).status_code
    client.post("/v1/people", json={"id": "eve.new", "name": "Eve New", "role": "bench"})
    assert 201 == post(entry).status_code


def test_roles_are_dated(client, book):
    """CONTRACT A, People: `POST /v1/people/{id}/roles` {role, from_on}."""
    answer = client.post("/v1/people/ada.bench/roles", json={"role": "lead", "from_on": "2026-02-01"})
    assert (201, {"person": "ada.bench", "role": "lead", "from_on": "2026-02-01"}) == (answer.status_code, answer.json)
    assert 404 == client.post("/v1/people/no.body/roles", json={"role": "lead", "from_on": "2026-02-01"}).status_code
    for day, code in (("2026-02-30", "no-such-date"), ("1 May", "wrong-form")):
        answer = client.post("/v1/people/ada.bench/roles", json={"role": "lead", "from_on": day})
        assert [("/from_on", code)] == faults(answer.json)


# Caching and paging


CACHED = ["/v1/units/U-1/condition", "/v1/units/U-1/card", "/v1/units/U-1/slots", f"/v1/tags/{TAG}", "/v1/units/U-1"]


@pytest.mark.parametrize("path", CACHED)
def test_an_answer_that_has_not_changed_is_not_sent_twice(client, standing_unit, tell, path):
    tell(make.tag_attached(TAG))
    first = client.get(path)
    tag = first.headers["ETag"]
    assert tag.startswith('"'), "a strong entity tag"
    again = client.get(path, headers={"If-None-Match": tag})
    assert (304, b"", tag) == (again.status_code, again.data, again.headers["ETag"])
    assert 304 == client.get(path, headers={"If-None-Match": f'"other", W/{tag}'}).status_code, "RFC 9110, 13.1.2"
    assert 200 == client.get(path, headers={"If-None-Match": '"other"'}).status_code


def test_the_entity_tag_moves_with_the_unit_its_sheet_and_the_day_and_with_nothing_else(
    client, standing_unit, tell, clock
):
    """CONTRACT B: the strong ETag covers what the answer rests on, so another unit's entry does not change it."""
    path = "/v1/units/U-1/condition"

    def tag():
        return client.get(path).headers["ETag"]

    first = tag()
    tell(make.reading("0.1", unit="U-2"))
    assert first == tag()
    clock.advance(hours=1)
    assert first == tag()
    tell(make.reading("0.1"))
    second = tag()
    assert first != second
    tell(make.sheet_issued(rev=2, changes={"characteristics": [make.backlash(watch="0.05")]}))
    third = tag()
    assert second != third
    clock.set("2026-01-06T00:00:01+01:00")
    assert third != tag(), "due dates are judged by the day"


@pytest.mark.parametrize(
    "path",
    [
        *CACHED,
        "/v1/units",
        "/v1/people",
        "/v1/parties",
        "/v1/classes/TST/sheet",
        "/v1/units/U-1/history",
        "/v1/units/U-1/wear/TST-BL",
        "/v1/units/U-1/slots/feed-nut",
        "/v1/entries",
    ],
)
def test_an_unknown_query_member_is_refused_everywhere(client, standing_unit, tell, path):
    """A slip such as `trueat` would be answered as if it had not been made."""
    tell(make.tag_attached(TAG))
    assert 200 == client.get(path).status_code
    answer = client.get(path, query_string={"trueat": "2026-01-05T09:00:00Z"})
    assert (422, [("?trueat", "bad-query")]) == (answer.status_code, faults(answer.json))


def test_units_come_a_page_at_a_time_by_number(client, tell):
    names = [f"U-{n:02}" for n in range(7)]
    tell(*(make.registered(n, "ODD" if n == "U-03" else "TST") for n in names))
    found, address = [], "/v1/units?limit=3"
    while address:
        answer = client.get(address)
        assert len(answer.json["units"]) <= 3
        found += [u["unit"] for u in answer.json["units"]]
        address = answer.headers.get("Link", "").partition("<")[2].partition(">")[0]
    assert names == found
    only = client.get("/v1/units?class=ODD")
    assert (["U-03"], None) == ([u["unit"] for u in only.json["units"]], only.json["next"])


def test_an_answer_names_the_entries_that_it_rests_on(standing_unit, tell, ask):
    """DESIGN section 7: every number in an answer that came from entries says which."""
    (read,) = tell(make.reading("0.30", hours="100"))
    condition = ask("/v1/units/U-1/condition")
    assert read["id"] in condition["hours"]["entries"]
    assert read["id"] in condition["characteristics"][0]["latest"]["entries"]


def test_no_answer_holds_a_float(demo):
    """Decimals are text everywhere, in the demo's largest answers too."""

    def no_float(text):
        pytest.fail(f"{text} is a number with a fraction")

    for path in ("condition", "card", "slots", "history", "wear/SEL-BL"):
        json.loads(demo.client.get(f"/v1/units/SEL-004/{path}").data, parse_float=no_float)
