"""The page of long work: who sees it, what it says in every state, the same as JSON."""

import re
import uuid
from datetime import timedelta

import pytest
from django.urls import reverse
from django.utils import timezone

from claims import jobs
from claims.models import Job
from tests.builders import make_person, make_site
from tests.claims.long_work import ask

pytestmark = pytest.mark.django_db
JSON = {"Accept": "application/json"}


@pytest.fixture
def site():
    return make_site()


@pytest.fixture
def clara(site):
    return make_person("clerk", site, "clara")


@pytest.fixture
def clerk(client, clara):
    client.force_login(clara)
    return client


@pytest.fixture
def job(site, clara):
    return ask(clara, site=site, title="Packet of NOR-26-0001", back="/NOR/claims/")


def taken(job):
    """The job in a worker's hand."""
    assert jobs.claim(job, "w", timezone.now())
    return job


def shown(client, job):
    answer = client.get(job.get_absolute_url())
    assert answer.status_code == 200
    return answer.content.decode()


def told(client, job):
    answer = client.get(job.get_absolute_url(), headers=JSON)
    assert answer.status_code == 200
    return answer.json()


def action(page):
    """(address, words) of what the page offers next."""
    bar = page.split('<div class="actionbar">')[1].split("</div>")[0]
    address, words = re.search(r'<a class="\w+" href="([^"]+)">.*?</svg>(.*?)</a>', bar, re.S).groups()
    return address, words.strip()


# -- who may see it --


def test_somebody_logged_out_is_sent_to_the_login(client, job):
    answer = client.get(job.get_absolute_url())
    assert (answer.status_code, answer.url.split("?")[0]) == (302, reverse("login"))


@pytest.mark.parametrize(
    ("role", "status"), [("clerk", 200), ("manager", 200), ("viewer", 200), ("receiver", 403), ("lead", 403)]
)
def test_those_who_see_claims_see_it(client, site, job, role, status):
    client.force_login(make_person(role, site))
    assert client.get(job.get_absolute_url()).status_code == status


def test_another_site_s_job_does_not_exist(clerk, client, job):
    south = make_site("SOU")
    client.force_login(make_person("clerk", south))
    assert client.get(job.get_absolute_url()).status_code == 404
    assert client.get(reverse("job", args=["SOU", job.uuid])).status_code == 404
    assert client.get(reverse("job", args=["SOU", job.uuid]), headers=JSON).status_code == 404


@pytest.mark.parametrize(("role", "status"), [("clerk", 200), ("manager", 200), ("viewer", 200), ("lead", 403)])
def test_company_wide_work_is_for_members_of_all_sites(client, site, clara, role, status):
    job = ask(clara, site=None)
    client.force_login(make_person(role, None))
    assert client.get(job.get_absolute_url(site)).status_code == status
    client.force_login(make_person("manager", site))
    assert client.get(job.get_absolute_url(site)).status_code == 404


def test_a_job_that_never_was_is_404_and_nothing_is_posted_here(clerk, job):
    assert clerk.get(reverse("job", args=["NOR", uuid.uuid4()])).status_code == 404
    assert clerk.get("/NOR/job/17/").status_code == 404
    assert clerk.post(job.get_absolute_url(), {"uuid": str(uuid.uuid4())}).status_code == 405


# -- what it says --


def test_a_waiting_job_says_how_many_are_before_it(clerk, clara, site, job):
    assert "Waiting. It is the next to be made." in shown(clerk, job)
    second = ask(clara, site=make_site("SOU"), at=job.asked_at - timedelta(seconds=2))
    assert "Waiting. 1 other is before it." in shown(clerk, job)
    ask(clara, site=None, at=job.asked_at - timedelta(seconds=1))
    assert told(clerk, job)["words"] == "Waiting. 2 others are before it."
    taken(second)
    assert told(clerk, job)["words"] == "Waiting. 1 other is before it."
    page = shown(clerk, job)
    assert action(page) == (job.get_absolute_url(), "Look again")
    assert "You may leave this page." in page


def test_a_job_that_waits_while_nobody_works_says_so(clerk, clara, site):
    job = ask(clara, site=site, at=timezone.now() - timedelta(minutes=2))
    assert "tell whoever looks after the server" in shown(clerk, job)
    taken(other := ask(clara, site=site))
    assert "tell whoever looks after the server" not in shown(clerk, job)
    Job.objects.filter(pk=other.pk).update(lease_until=timezone.now() - timedelta(seconds=1))
    assert "tell whoever looks after the server" in shown(clerk, job)


def test_a_running_job_shows_its_numbers_in_words_and_as_a_bar(clerk, job):
    taken(job)
    page = shown(clerk, job)
    assert "Begun." in page
    assert "<progress" in page and "value=" not in page.split("<progress")[1].split(">")[0]
    job.progress(1200, 4000, "pages")
    page = shown(clerk, job)
    assert "1,200 of 4,000 pages" in page
    assert '<progress aria-label="Packet of NOR-26-0001" max="4000" value="1200">' in page
    assert told(clerk, job) == {
        "state": "running",
        "finished": False,
        "made": 1200,
        "total": 4000,
        "words": "1,200 of 4,000 pages",
        "url": "",
    }


def test_a_job_begun_again_says_which_attempt_it_is(clerk, job):
    taken(job)
    Job.objects.filter(pk=job.pk).update(lease_until=timezone.now() - timedelta(seconds=1))
    second = jobs.take("second", timezone.now())
    assert "Begun. The worker stopped in between; this is attempt 2." in shown(clerk, job)
    second.progress(3, 4, "pages")
    assert "3 of 4 pages. The worker stopped in between; this is attempt 2." in shown(clerk, job)


def test_a_done_job_leads_to_its_result(clerk, job):
    taken(job).finish({"url": "/NOR/claim/26-0001/", "words": "Packet 2 is made."})
    page = shown(clerk, job)
    assert "Packet 2 is made." in page
    assert action(page) == ("/NOR/claim/26-0001/", "Open it")
    assert "progress.js" not in page
    assert told(clerk, job) | {"made": 0} == {
        "state": "done",
        "finished": True,
        "made": 0,
        "total": 0,
        "words": "Packet 2 is made.",
        "url": "/NOR/claim/26-0001/",
    }


def test_a_done_job_without_a_place_of_its_own_leads_back(clerk, job):
    taken(job).finish()
    page = shown(clerk, job)
    assert "It is made." in page
    assert action(page) == ("/NOR/claims/", "Back to where it was asked for")


def test_a_failed_job_says_why_and_leads_back_to_where_it_was_asked_for(clerk, job):
    taken(job).fail("Photo 3 of P-12 is missing.")
    page = shown(clerk, job)
    assert "Photo 3 of P-12 is missing." in page
    assert action(page) == ("/NOR/claims/", "Back to where it was asked for")
    assert told(clerk, job)["words"] == "Photo 3 of P-12 is missing."


def test_a_failed_job_that_does_not_know_where_it_came_from_leads_to_the_claims(clerk, clara, site):
    job = ask(clara, site=site)
    taken(job).fail("No.")
    assert action(shown(clerk, job)) == (reverse("claims", args=["NOR"]), "To the claims")


@pytest.mark.parametrize("address", ["javascript:alert(1)", "https://evil.example/", "//evil.example/"])
def test_a_result_elsewhere_is_not_linked(clerk, clara, site, address):
    job = ask(clara, site=site, back=address)
    taken(job).finish({"url": address})
    assert address not in shown(clerk, job)
    assert told(clerk, job)["url"] == ""


def test_text_from_outside_is_only_ever_text(clerk, clara, site):
    job = ask(clara, site=site, title="<script>alert(1)</script>")
    taken(job).progress(1, 2, "<b>pages</b>")
    page = shown(clerk, job)
    assert "<script>alert" not in page and "<b>pages" not in page
    assert "&lt;script&gt;alert(1)&lt;/script&gt;" in page and "&lt;b&gt;pages&lt;/b&gt;" in page
    job.fail("<img src=x onerror=alert(1)>")
    assert "<img src=x" not in shown(clerk, job)


@pytest.mark.parametrize(("kind", "place"), [("packet", "Claims"), ("scorecards", "Carriers")])
def test_the_way_back_is_the_place_that_the_work_belongs_to(clerk, job, kind, place):
    job.kind = kind
    job.save()
    crumbs = shown(clerk, job).partition('class="crumbs"')[2].partition("</nav>")[0]
    assert [words for words in ("Claims", "Carriers") if f">{words}</a>" in crumbs] == [place]


def test_one_address_gives_a_page_or_json_and_says_so_to_the_browser(clerk, job):
    page, script = clerk.get(job.get_absolute_url()), clerk.get(job.get_absolute_url(), headers=JSON)
    assert page["Content-Type"].startswith("text/html")
    assert script["Content-Type"] == "application/json"
    assert all("Accept" in re.split(r",\s*", answer["Vary"]) for answer in (page, script))


def test_the_queue_s_length_costs_no_more_queries(clerk, clara, site, job, django_assert_num_queries):
    address = job.get_absolute_url()
    clerk.get(address, headers=JSON)
    with django_assert_num_queries(5):
        clerk.get(address, headers=JSON)
    for _ in range(3):
        ask(clara, site=site, at=job.asked_at - timedelta(seconds=1))
    with django_assert_num_queries(5):
        clerk.get(address, headers=JSON)
