"""Who may open what: every URL, every method it takes, every role, own site, other site, nobody.

The table below is the product's own (who may do what), written out again on purpose: it must not be computed from
the code it checks. A URL that the table does not name fails.
"""

import uuid

import pytest
from django.db import transaction
from django.test import Client
from django.urls import URLPattern, URLResolver, get_resolver, reverse

from tests import world

# The mark makes the test database; the world is built once, outside the single tests.
pytestmark = pytest.mark.django_db

EVERYBODY = {"receiver", "lead", "clerk", "manager", "viewer"}
FLOOR = {"receiver", "lead"}
LEADS = {"lead", "manager"}
FLOOR_AND_LEADS = {"receiver", "lead", "manager"}
LATE = {"receiver", "lead", "clerk", "manager"}
DECIDERS = {"lead", "clerk", "manager"}
MANAGERS = {"manager"}
READERS_OF_CLAIMS = {"clerk", "manager", "viewer"}
COMPANY = {"all-sites manager"}
CLERKS = {"clerk", "manager"}
NOT_HERE = None

# name: (what reverse() needs besides the site, who may GET, who may POST); NOT_HERE where the method is not taken
MATRIX = {
    "square": ("trailer", EVERYBODY, NOT_HERE),
    "looked": ("trailer", NOT_HERE, FLOOR_AND_LEADS),
    "declare_short": ("trailer shipment", NOT_HERE, LEADS),
    "difference": ("trailer shipment", NOT_HERE, FLOOR_AND_LEADS),
    "release": ("trailer", LEADS, LEADS),
    "release_clean": ("trailer", NOT_HERE, LEADS),
    "reopen": ("trailer", LEADS, LEADS),
    "sign_at_pickup": ("trailer", LEADS, LEADS),
    "sheet_replace": ("trailer", NOT_HERE, LEADS),
    "sheet": ("sheet", EVERYBODY, NOT_HERE),
    "sheet_pdf": ("sheet", EVERYBODY, NOT_HERE),
    "sheet_send": ("sheet", NOT_HERE, LEADS),
    "sheet_printed": ("sheet", NOT_HERE, FLOOR_AND_LEADS),
    "photo_upload": ("released", NOT_HERE, LATE),
    "photo_original": ("photo", EVERYBODY, NOT_HERE),
    "photo_viewing": ("photo", EVERYBODY, NOT_HERE),
    "photo_thumbnail": ("photo", EVERYBODY, NOT_HERE),
    "phone": ("", EVERYBODY, NOT_HERE),
    "phone_report": ("", NOT_HERE, EVERYBODY),
    "phone_handed_in": ("", NOT_HERE, EVERYBODY),
    "handed_in": ("", LEADS, NOT_HERE),
    "handed_in_take_several": ("", NOT_HERE, LEADS),
    "handed_in_one": ("handed_in", LEADS, NOT_HERE),
    "handed_in_take": ("handed_in", NOT_HERE, LEADS),
    "handed_in_discard": ("handed_in", NOT_HERE, LEADS),
    "handed_in_file": ("handed_in =1", LEADS, NOT_HERE),
    "outbox_file": ("", LATE, LATE),
    "doors": ("", EVERYBODY, NOT_HERE),
    "phone_pages": ("", EVERYBODY, NOT_HERE),
    "trailer_new": ("", FLOOR, FLOOR),
    "trailer": ("trailer", EVERYBODY, NOT_HERE),
    "trailer_cancel": ("trailer", FLOOR, FLOOR),
    "arrive": ("trailer", FLOOR, FLOOR),
    "trailer_edit": ("trailer", FLOOR, FLOOR),
    "trailer_photos": ("trailer", EVERYBODY, NOT_HERE),
    "shipment_new": ("trailer", FLOOR, FLOOR),
    "shipment_edit": ("trailer shipment", FLOOR, FLOOR),
    "refuse_rest": ("trailer shipment", FLOOR, FLOOR),
    "take_back": ("trailer shipment", FLOOR, FLOOR),
    "seal_new": ("trailer", FLOOR, FLOOR),
    "unsealed": ("trailer", FLOOR, FLOOR),
    "seal": ("trailer seal", EVERYBODY, NOT_HERE),
    "seal_correct": ("trailer seal", FLOOR, FLOOR),
    "safety": ("trailer", FLOOR, FLOOR),
    "incident": ("trailer", FLOOR, FLOOR),
    "incident_reporting": ("trailer incident", DECIDERS, DECIDERS),
    "unload": ("trailer", FLOOR, FLOOR),
    "pause": ("trailer", FLOOR, FLOOR),
    "resume": ("trailer", FLOOR, FLOOR),
    "count_end": ("trailer", FLOOR, FLOOR),
    "count_again": ("trailer", FLOOR, FLOOR),
    "refuse_whole": ("trailer", FLOOR, FLOOR),
    "load_list": ("trailer shipment", EVERYBODY, NOT_HERE),
    "load_list_upload": ("trailer shipment", NOT_HERE, LEADS),
    "load_list_difference": ("trailer shipment", NOT_HERE, LEADS),
    "load_list_preview": ("trailer shipment list", LEADS, NOT_HERE),
    "load_list_columns": ("trailer shipment list", NOT_HERE, LEADS),
    "load_list_confirm": ("trailer shipment list", NOT_HERE, LEADS),
    "load_list_discard": ("trailer shipment list", NOT_HERE, LEADS),
    "load_list_file": ("trailer shipment list", EVERYBODY, NOT_HERE),
    "count": ("trailer", FLOOR, NOT_HERE),
    "count_scan": ("trailer", NOT_HERE, FLOOR),
    "count_undo": ("trailer", NOT_HERE, FLOOR),
    "count_tally": ("trailer", FLOOR, NOT_HERE),
    "count_tally_tap": ("trailer shipment", NOT_HERE, FLOOR),
    "count_file": ("trailer", FLOOR, FLOOR),
    "cartons_json": ("trailer", FLOOR, NOT_HERE),
    "pallets": ("", EVERYBODY, NOT_HERE),
    "pallet_new": ("", NOT_HERE, FLOOR),
    "pallet_close": ("pallet", NOT_HERE, FLOOR),
    "log": ("", LATE, NOT_HERE),
    "log_trailer": ("released", LATE, LATE),
    "set_aside": ("trailer", NOT_HERE, FLOOR),
    "piece": ("piece", EVERYBODY, NOT_HERE),
    "piece_complete": ("piece", FLOOR, FLOOR),
    "piece_amend": ("piece", FLOOR, FLOOR),
    "piece_void": ("piece", LEADS, LEADS),
    "piece_attribute": ("piece", FLOOR, FLOOR),
    "piece_finding": ("piece", FLOOR, FLOOR),
    "piece_finding late": ("late", LATE, LATE),
    "piece_store_report late": ("late", LATE, LATE),
    "piece_attribute late": ("late", LATE, LATE),
    "piece_store_report": ("piece", LATE, LATE),
    "piece_dispose": ("piece", FLOOR, FLOOR),
    "piece_food": ("piece", {"qualified"}, {"qualified"}),
    "piece_found": ("piece", FLOOR, FLOOR),
    "piece_match": ("piece", FLOOR, FLOOR),
    "piece_notice": ("piece", EVERYBODY, NOT_HERE),
    "tag": ("piece", EVERYBODY, NOT_HERE),
    "pieces": ("", EVERYBODY, NOT_HERE),
    "pieces_export": ("=csv", EVERYBODY, NOT_HERE),
    "search": ("", EVERYBODY, NOT_HERE),
    "outbox": ("", EVERYBODY, NOT_HERE),
    "setup": ("", MANAGERS, NOT_HERE),
    "setup_site": ("", MANAGERS, MANAGERS),
    "setup_people": ("", MANAGERS, NOT_HERE),
    "setup_person_new": ("", MANAGERS, MANAGERS),
    "setup_person_existing": ("", MANAGERS, MANAGERS),
    "setup_member": ("member", MANAGERS, MANAGERS),
    "setup_member_remove": ("member", NOT_HERE, MANAGERS),
    "setup_password": ("member", NOT_HERE, MANAGERS),
    "setup_list codes": ("=codes", MANAGERS, NOT_HERE),
    "setup_new codes": ("=codes", MANAGERS, MANAGERS),
    "setup_export codes": ("=codes =csv", MANAGERS, NOT_HERE),
    "setup_upload codes": ("=codes", MANAGERS, MANAGERS),
    "setup_edit codes": ("=codes code", MANAGERS, MANAGERS),
    "setup_out codes": ("=codes code", NOT_HERE, MANAGERS),
    "setup_back codes": ("=codes code", NOT_HERE, MANAGERS),
    "setup_list doors": ("=doors", MANAGERS, NOT_HERE),
    "setup_new doors": ("=doors", MANAGERS, MANAGERS),
    "setup_export doors": ("=doors =csv", MANAGERS, NOT_HERE),
    "setup_upload doors": ("=doors", MANAGERS, MANAGERS),
    "setup_edit doors": ("=doors door", MANAGERS, MANAGERS),
    "setup_out doors": ("=doors door", NOT_HERE, MANAGERS),
    "setup_back doors": ("=doors door", NOT_HERE, MANAGERS),
    "setup_list stores": ("=stores", MANAGERS, NOT_HERE),
    "setup_new stores": ("=stores", MANAGERS, MANAGERS),
    "setup_export stores": ("=stores =csv", MANAGERS, NOT_HERE),
    "setup_upload stores": ("=stores", MANAGERS, MANAGERS),
    "setup_edit stores": ("=stores store", MANAGERS, MANAGERS),
    "setup_out stores": ("=stores store", NOT_HERE, MANAGERS),
    "setup_back stores": ("=stores store", NOT_HERE, MANAGERS),
    "setup_list carriers": ("=carriers", COMPANY, NOT_HERE),
    "setup_new carriers": ("=carriers", COMPANY, COMPANY),
    "setup_export carriers": ("=carriers =csv", COMPANY, NOT_HERE),
    "setup_upload carriers": ("=carriers", COMPANY, COMPANY),
    "setup_edit carriers": ("=carriers carrier", COMPANY, COMPANY),
    "setup_out carriers": ("=carriers carrier", NOT_HERE, COMPANY),
    "setup_back carriers": ("=carriers carrier", NOT_HERE, COMPANY),
    "setup_list accounts": ("=accounts", COMPANY, NOT_HERE),
    "setup_new accounts": ("=accounts", COMPANY, COMPANY),
    "setup_export accounts": ("=accounts =csv", COMPANY, NOT_HERE),
    "setup_upload accounts": ("=accounts", COMPANY, COMPANY),
    "setup_edit accounts": ("=accounts account", COMPANY, COMPANY),
    "setup_out accounts": ("=accounts account", NOT_HERE, COMPANY),
    "setup_back accounts": ("=accounts account", NOT_HERE, COMPANY),
    "setup_replace": ("code", MANAGERS, MANAGERS),
    "terms": ("", READERS_OF_CLAIMS, NOT_HERE),
    "terms_which": ("", READERS_OF_CLAIMS, NOT_HERE),
    "terms_new": ("", MANAGERS, MANAGERS),
    "terms_shown": ("terms", READERS_OF_CLAIMS, NOT_HERE),
    "terms_shown company": ("company_terms", READERS_OF_CLAIMS, NOT_HERE),
    "terms_edit": ("terms", MANAGERS, MANAGERS),
    "terms_replace": ("terms", MANAGERS, MANAGERS),
    "terms_retire": ("terms", NOT_HERE, MANAGERS),
    "terms_edit company": ("company_terms", COMPANY, COMPANY),
    "terms_replace company": ("company_terms", COMPANY, COMPANY),
    "terms_retire company": ("company_terms", NOT_HERE, COMPANY),
    "claims": ("", READERS_OF_CLAIMS, NOT_HERE),
    "to_claim": ("", READERS_OF_CLAIMS, NOT_HERE),
    "draft_claim": ("bill", CLERKS, CLERKS),
    "hand_over": ("bill", CLERKS, CLERKS),
    "decide_not": ("bill", CLERKS, CLERKS),
    "not_claimed": ("", READERS_OF_CLAIMS, NOT_HERE),
    "claim_after_all": ("not_claimed", CLERKS, CLERKS),
    "claims_open": ("", READERS_OF_CLAIMS, NOT_HERE),
    "claims_closed": ("", READERS_OF_CLAIMS, NOT_HERE),
    "claims_export": ("=open =csv", READERS_OF_CLAIMS, NOT_HERE),
    "claims_export to-claim": ("=to-claim =xlsx", READERS_OF_CLAIMS, NOT_HERE),
    "claim": ("claim", READERS_OF_CLAIMS, NOT_HERE),
    "money": ("", READERS_OF_CLAIMS, NOT_HERE),
    "money_claims": ("=claimed", READERS_OF_CLAIMS, NOT_HERE),
    "money_export": ("=csv", READERS_OF_CLAIMS, NOT_HERE),
    "claim_file": ("claim", CLERKS, CLERKS),
    "claim_withdraw": ("claim", CLERKS, CLERKS),
    "claim_close": ("filed", CLERKS, CLERKS),
    "claim_reopen": ("filed", CLERKS, CLERKS),
    "claim_amend": ("filed", CLERKS, CLERKS),
    "fact_new": ("filed =receipt", CLERKS, CLERKS),
    "fact_take_back": ("filed fact", CLERKS, CLERKS),
    "claim filed": ("filed", READERS_OF_CLAIMS, NOT_HERE),
    "piece_claim": ("claimed", READERS_OF_CLAIMS, NOT_HERE),
    "claim_add": ("claim", CLERKS, CLERKS),
    "claim_line": ("claim line", CLERKS, CLERKS),
    "claim_line_drop": ("claim line", CLERKS, CLERKS),
    "claim_parties": ("claim", CLERKS, CLERKS),
    "claim_freight": ("claim", CLERKS, CLERKS),
    "claim_terms": ("claim", CLERKS, CLERKS),
    "claim_rate": ("claim", CLERKS, CLERKS),
    "due": ("", READERS_OF_CLAIMS, NOT_HERE),
    "due_export": ("=csv", READERS_OF_CLAIMS, NOT_HERE),
    "due_feed": ("", READERS_OF_CLAIMS, NOT_HERE),
    "due_feed_new": ("", NOT_HERE, READERS_OF_CLAIMS),
    "due_feed_revoke": ("", NOT_HERE, READERS_OF_CLAIMS),
    "carriers": ("", READERS_OF_CLAIMS, NOT_HERE),
    "carriers_export": ("=csv", READERS_OF_CLAIMS, NOT_HERE),
    "carriers_behind": ("carrier =counted", READERS_OF_CLAIMS, NOT_HERE),
    "carriers_beside": ("", READERS_OF_CLAIMS, NOT_HERE),
    "judging_rules": ("", READERS_OF_CLAIMS, MANAGERS),
    "carriers_where": ("", READERS_OF_CLAIMS, NOT_HERE),
    "carriers_where_export": ("=csv", READERS_OF_CLAIMS, NOT_HERE),
    "carrier": ("carrier", READERS_OF_CLAIMS, NOT_HERE),
    "carrier_agreed": ("carrier", MANAGERS, MANAGERS),
    "carrier_agreed_close": ("carrier talk", MANAGERS, MANAGERS),
    "scorecards": ("", READERS_OF_CLAIMS, NOT_HERE),
    "scorecards_issue": ("", MANAGERS, MANAGERS),
    "scorecard": ("card", READERS_OF_CLAIMS, NOT_HERE),
    "scorecard_restate": ("card", NOT_HERE, MANAGERS),
    "scorecard_send": ("card", MANAGERS, MANAGERS),
    "scorecard_pdf": ("card", READERS_OF_CLAIMS, NOT_HERE),
    "scorecard_xlsx": ("card", READERS_OF_CLAIMS, NOT_HERE),
    "scorecard_message": ("card card_message", READERS_OF_CLAIMS, NOT_HERE),
    "carriers all": ("", READERS_OF_CLAIMS, NOT_HERE),
    "carriers_export all": ("=csv", READERS_OF_CLAIMS, NOT_HERE),
    "carriers_behind all": ("carrier =counted", READERS_OF_CLAIMS, NOT_HERE),
    "carriers_beside all": ("", READERS_OF_CLAIMS, NOT_HERE),
    "judging_rules all": ("", READERS_OF_CLAIMS, MANAGERS),
    "carrier all": ("carrier", READERS_OF_CLAIMS, NOT_HERE),
    "carrier_agreed all": ("carrier", MANAGERS, MANAGERS),
    "carrier_agreed_close all": ("carrier all_talk", MANAGERS, MANAGERS),
    "scorecards all": ("", READERS_OF_CLAIMS, NOT_HERE),
    "scorecards_issue all": ("", MANAGERS, MANAGERS),
    "scorecard all": ("all_card", READERS_OF_CLAIMS, NOT_HERE),
    "scorecard_restate all": ("all_card", NOT_HERE, MANAGERS),
    "scorecard_send all": ("all_card", MANAGERS, MANAGERS),
    "scorecard_pdf all": ("all_card", READERS_OF_CLAIMS, NOT_HERE),
    "scorecard_xlsx all": ("all_card", READERS_OF_CLAIMS, NOT_HERE),
    "scorecard_message all": ("all_card all_card_message", READERS_OF_CLAIMS, NOT_HERE),
    "document_add": ("claim", CLERKS, CLERKS),
    "document": ("filed document", READERS_OF_CLAIMS, NOT_HERE),
    "document_correct": ("filed document", CLERKS, CLERKS),
    "letter_again": ("filed letter", NOT_HERE, CLERKS),
    "claim_gap": ("claim =freight_bill", CLERKS, CLERKS),
    "claim_asked": ("claim", NOT_HERE, CLERKS),
    "claim_statement": ("claim", CLERKS, CLERKS),
    "letter_new": ("filed", CLERKS, CLERKS),
    "letter": ("filed letter", READERS_OF_CLAIMS, CLERKS),
    "letter_send": ("filed letter", NOT_HERE, CLERKS),
    "letter_mark": ("filed letter", NOT_HERE, CLERKS),
    "letter_pdf": ("filed letter", READERS_OF_CLAIMS, NOT_HERE),
    "claim_send": ("claim", CLERKS, CLERKS),
    "message_file": ("filed message", READERS_OF_CLAIMS, NOT_HERE),
    "message_bounce": ("filed message", CLERKS, CLERKS),
    "packet_make": ("claim", NOT_HERE, CLERKS),
    "packet": ("claim packet", READERS_OF_CLAIMS, NOT_HERE),
    "packet_pdf": ("claim packet", READERS_OF_CLAIMS, NOT_HERE),
    "packet_xlsx": ("claim packet", READERS_OF_CLAIMS, NOT_HERE),
    "packet_zip": ("claim packet", READERS_OF_CLAIMS, NOT_HERE),
    "job": ("job", READERS_OF_CLAIMS, NOT_HERE),
    "job all": ("all_job", READERS_OF_CLAIMS, NOT_HERE),
}
# Pages of no site: tested in tests/pages/test_base.py, tests/pages/test_shell.py, tests/claims/test_feed.py.
NO_SITE = {"feed", "home", "language", "login", "logout", "password_change", "password_change_done"}
NO_SITE |= {"worker", "manifest", "reachable", "offline"}

REFUSED = {403, 404, 405}


def every_name(patterns=None, prefix=""):
    for pattern in patterns or get_resolver().url_patterns:
        if isinstance(pattern, URLResolver):
            if pattern.app_name != "admin":
                yield from every_name(pattern.url_patterns)
        elif isinstance(pattern, URLPattern):
            yield pattern.name


def test_every_url_stands_in_the_matrix_and_every_row_is_a_url():
    assert set(every_name()) == {row.split()[0] for row in MATRIX} | NO_SITE | {
        "setup_preview",
        "setup_confirm",
        "setup_discard",
    }


@pytest.fixture(scope="module")
def here(django_db_setup, django_db_blocker):
    """The world and a signed-in client for everybody in it, once for all cases; each request is rolled back."""
    with django_db_blocker.unblock(), transaction.atomic():
        built = world.build()
        built.clients = {who: Client() for who in built.people}
        for who, person in built.people.items():
            built.clients[who].force_login(person)
        yield built
        transaction.set_rollback(True)


CASES = [
    pytest.param(name, method, id=f"{method} {name}")
    for name, (_, get, post) in MATRIX.items()
    for method, who in (("get", get), ("post", post))
]


def ask(client, method, address):
    with transaction.atomic():
        answer = getattr(client, method)(address, {} if method == "get" else {"uuid": str(uuid.uuid4())})
        transaction.set_rollback(True)
    if answer.streaming:
        b"".join(answer.streaming_content)
    return answer


@pytest.mark.parametrize(("name", "method"), CASES)
def test_who_may(here, name, method):
    needs, get, post = MATRIX[name]
    allowed = get if method == "get" else post
    address = reverse(name.split()[0], args=["all" if is_of_all(name) else "NOR", *here.args(needs)])

    stranger = ask(Client(), method, address)
    assert stranger.status_code == 302, "nobody is signed in"
    assert stranger["Location"].startswith(reverse("login"))

    seen = {who: ask(client, method, address).status_code for who, client in here.clients.items()}
    if allowed is NOT_HERE:
        assert set(seen.values()) <= REFUSED
        assert 405 in seen.values()
        return
    judge = expected_of_all if is_of_all(name) else expected
    assert seen == {who: judge(who, allowed, status) for who, status in seen.items()}


def is_of_all(name):
    return name.endswith(" all")


def expected_of_all(who, allowed, status):
    """Over all sites together there is a page for members of all sites only, whatever they are at one."""
    return expected(who, allowed, status) if who.startswith("all-sites ") else 404


def expected(who, allowed, status):
    """The status `who` should get: where they may come in, whatever they got if it is no refusal."""
    if who.startswith("other site's") or who == "member of nothing":
        return 404
    roles = {who, who.removeprefix("all-sites "), *({"viewer"} if who == "qualified" else ())}
    if not allowed & roles:
        return 403
    return status if status not in REFUSED else "a page"
