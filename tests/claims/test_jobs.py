"""The queue: the same work is one job, one worker has a job, a lost worker's job is done by the next, once."""

import os
import signal
import threading
from collections import Counter
from contextlib import suppress
from datetime import timedelta
from io import StringIO

import pytest
from django.core.files.storage import default_storage
from django.core.management import CommandError, call_command
from django.db import DatabaseError, IntegrityError, connection, transaction
from django.utils import timezone, translation

from claims import jobs
from claims.enums import JobState
from claims.models import Job, Packet
from claims.models import job as model
from claims.models.job import Overtaken, own_address
from receiving import evidence
from receiving.models import Account, Event
from tests.builders import NOON, make_person, make_site
from tests.claims import long_work
from tests.claims.builders import make_claim
from tests.claims.long_work import ask, diary, start_worker, wait_for
from tests.claims.packets import make_packet_row

MINUTE = timedelta(minutes=1)


@pytest.fixture
def site(db):
    return make_site()


@pytest.fixture
def clara(site):
    return make_person("clerk", site, "clara")


@pytest.fixture
def step(monkeypatch):
    """step(function) -> the arguments of a job of kind `step` that calls it."""

    def named(function):
        monkeypatch.setitem(long_work.STEPS, function.__name__, function)
        return {"kind": "step", "name": function.__name__}

    return named


def now(job):
    return Job.objects.get(pk=job.pk)


def states():
    return sorted(Job.objects.values_list("state", flat=True))


# -- asking --


def test_work_is_asked_for_in_the_caller_s_transaction(site, clara):
    with pytest.raises(ZeroDivisionError), transaction.atomic():
        ask(clara, site=site, folder="x", pages=1)
        raise ZeroDivisionError
    assert not Job.objects.exists()


def test_a_job_carries_what_was_asked_and_waits(site, clara):
    job = jobs.ask(
        "diary",
        site=site,
        arguments={"pages": 3},
        key="NOR-26-0001",
        actor=clara,
        at=NOON,
        title="Packet of NOR-26-0001",
        back="/NOR/claims/",
    )
    assert (job.state, job.attempts, job.asked_at, job.asked_by) == (JobState.WAITING, 0, NOON, clara)
    assert (str(job), job.back_url, job.arguments) == ("Packet of NOR-26-0001", "/NOR/claims/", {"pages": 3})
    assert str(ask(clara, site=site)) == "Diary"


def test_the_same_work_asked_for_twice_is_one_job_until_it_has_ended(site, clara, tmp_path):
    other = make_person("manager", site)
    asked = {"site": site, "key": "NOR-26-0001", "folder": str(tmp_path), "pages": 1}
    first = ask(clara, **asked)
    assert ask(other, **asked) == first
    held = jobs.take("w", timezone.now())
    assert ask(other, **asked) == held == first
    jobs.make(held)
    again = ask(other, **asked)
    assert again != first
    assert (now(first).state, again.state) == (JobState.DONE, JobState.WAITING)


def test_another_kind_site_or_key_is_another_job(site, clara):
    same = {"site": site, "kind": "diary", "key": "7"}
    found = {
        ask(clara, **(same | other)).pk
        for other in ({}, {"kind": "silent"}, {"site": make_site("SOU")}, {"site": None}, {"key": "8"})
    }
    assert len(found) == 5
    assert ask(clara, site=None, key="7").site is None
    assert Job.objects.count() == 5


def test_the_database_itself_keeps_the_same_work_one_job(site, clara):
    ask(clara, site=None, key="7")
    with pytest.raises(IntegrityError), transaction.atomic():
        Job.objects.create(kind="diary", key="7", title="x", asked_by=clara, asked_at=NOON)


@pytest.mark.parametrize(
    "changes",
    [
        {"state": "running"},
        {"state": "done"},
        {"state": "failed"},
        {"finished_at": NOON},
        {"lease_until": NOON},
        {"hold": "00000000-0000-4000-8000-000000000000"},
    ],
)
def test_the_database_refuses_a_job_that_contradicts_itself(site, clara, changes):
    job = ask(clara, site=site)
    with pytest.raises(IntegrityError), transaction.atomic():
        Job.objects.filter(pk=job.pk).update(**changes)


def test_work_of_no_known_kind_is_not_queued(site, clara):
    with pytest.raises(LookupError, match="No long work is called polka"):
        ask(clara, site=site, kind="polka")
    assert not Job.objects.exists()


def test_two_functions_cannot_be_one_kind():
    with pytest.raises(ValueError, match="diary"):
        jobs.register("diary")(print)


@pytest.mark.parametrize(
    "text", ["", "https://evil.example/", "//evil.example/", "/\\evil.example", "javascript:1", None]
)
def test_only_an_address_of_our_own_is_linked(text):
    assert own_address(text) == ""
    assert own_address("/NOR/claim/26-0001/") == "/NOR/claim/26-0001/"


# -- taking --


def test_the_one_that_has_waited_longest_is_taken_first(site, clara):
    late = ask(clara, site=site, at=NOON + MINUTE)
    early = ask(clara, site=site, at=NOON)
    assert [jobs.take("w", NOON + 2 * MINUTE) for _ in range(3)] == [early, late, None]


def test_a_taken_job_names_its_worker_its_lease_and_its_attempt(site, clara):
    ask(clara, site=site)
    job = jobs.take("dock-pc:1", NOON, lease=timedelta(seconds=30))
    stored = now(job)
    assert (stored.state, stored.worker, stored.attempts) == (JobState.RUNNING, "dock-pc:1", 1)
    assert (stored.lease_until, stored.started_at) == (NOON + timedelta(seconds=30), NOON)
    assert (job.hold, job.attempts, job.lease_until) == (stored.hold, 1, stored.lease_until)


def test_a_job_in_hand_is_left_alone_until_its_lease_has_run_out(site, clara):
    ask(clara, site=site)
    first = jobs.take("first", NOON)
    assert jobs.take("second", NOON + jobs.LEASE) is None
    second = jobs.take("second", NOON + jobs.LEASE + timedelta(microseconds=1))
    assert (second, second.worker, second.attempts) == (first, "second", 2)
    assert second.hold != first.hold


def test_a_look_that_is_out_of_date_takes_nothing(site, clara):
    job = ask(clara, site=site)
    stale = now(job)
    assert jobs.claim(job, "first", NOON)
    assert not jobs.claim(stale, "second", NOON)
    assert now(job).worker == "first"
    late = now(job)
    assert jobs.claim(now(job), "second", NOON + 2 * MINUTE)
    assert not jobs.claim(late, "third", NOON + 2 * MINUTE)
    assert (now(job).worker, now(job).attempts) == ("second", 2)


def test_after_three_attempts_left_behind_it_fails_with_a_sentence(site, clara):
    job = ask(clara, site=site)
    at = NOON
    for attempt in (1, 2, 3):
        assert jobs.take("w", at).attempts == attempt
        at += 2 * MINUTE
    assert jobs.take("w", at) is None
    ended = now(job)
    assert (ended.state, ended.finished_at, ended.hold) == (JobState.FAILED, at, None)
    assert ended.error.startswith("This was begun 3 times")
    assert jobs.take("w", at + MINUTE) is None


def test_the_third_attempt_is_let_run_to_its_end(site, clara, tmp_path):
    job = ask(clara, site=site, folder=str(tmp_path), pages=1)
    Job.objects.filter(pk=job.pk).update(attempts=2)
    jobs.make(jobs.take("w", timezone.now()))
    assert (now(job).state, now(job).attempts) == (JobState.DONE, 3)


# -- making --


def test_what_a_function_returns_is_the_result(site, clara, tmp_path):
    job = jobs.run_now(ask(clara, site=site, folder=str(tmp_path), pages=2))
    assert (job.state, job.error, job.hold) == (JobState.DONE, "", None)
    assert (job.result_url, job.result_words) == ("/NOR/diary/2/", "2 pages are written.")
    assert (job.made, job.total, job.words) == (2, 2, "pages")
    assert job.finished_at >= job.started_at >= job.asked_at
    assert diary(tmp_path) == [(os.getpid(), 1, 0), (os.getpid(), 1, 1)]


def test_a_refusal_fails_the_job_with_its_own_sentence(site, clara):
    job = jobs.run_now(ask(clara, site=site, kind="refusing", sentence="Photo 3 of P-12 is missing."))
    assert (job.state, job.error, job.result) == (JobState.FAILED, "Photo 3 of P-12 is missing.", None)


def test_a_crash_fails_the_job_with_a_general_sentence_and_is_logged(site, clara, caplog):
    job = jobs.run_now(ask(clara, site=site, kind="breaking", name="Half made"))
    assert job.state == JobState.FAILED
    assert job.error.startswith("Something went wrong in the server")
    assert "insides" not in job.error
    assert "ZeroDivisionError: the insides of the program" in caplog.text
    assert not Account.objects.exists()


def test_a_result_that_is_no_json_fails_the_job(site, clara, step, caplog):
    def odd(job):
        return {"url": object()}

    job = jobs.run_now(ask(clara, site=site, **step(odd)))
    assert (job.state, job.result) == (JobState.FAILED, None)
    assert "not JSON serializable" in caplog.text


def test_an_error_of_the_database_inside_the_work_spoils_nothing_around_it(site, clara, step, caplog):
    def double(job):
        Account.objects.create(legal_name="kept only with the rest")
        make_site(site.code)

    job = jobs.run_now(ask(clara, site=site, **step(double)))
    assert job.state == JobState.FAILED
    assert not Account.objects.exists()


def test_sentences_come_in_the_language_of_who_asked_and_times_on_the_site_s_clock(site, step):
    seen = []

    def look(job):
        seen.append((translation.get_language(), timezone.get_current_timezone_name()))

    jobs.run_now(ask(make_person("clerk", site, language="es"), site=site, **step(look)))
    assert seen == [("es", "America/Chicago")]
    assert timezone.get_current_timezone_name() == "UTC"


def test_a_job_in_other_hands_is_not_run_now(site, clara, tmp_path):
    job = ask(clara, site=site, folder=str(tmp_path), pages=1)
    jobs.take("w", timezone.now())
    assert jobs.run_now(job).state == JobState.RUNNING
    assert diary(tmp_path) == []


# -- progress --


def test_progress_renews_the_lease_and_is_written(site, clara):
    ask(clara, site=site)
    job = jobs.take("w", NOON)
    before = timezone.now()
    job.progress(12, 40, "pages")
    stored = now(job)
    assert (stored.made, stored.total, stored.words) == (12, 40, "pages")
    assert stored.lease_until >= before + jobs.LEASE
    assert stored.progress_line == "12 of 40 pages"


def test_steps_that_follow_too_fast_are_not_written_but_the_last_one_is(site, clara, django_assert_num_queries, step):
    ask(clara, site=site)
    job = jobs.take("w", timezone.now())
    job.progress(0, 1000, "pages")
    job.said += 3600
    with django_assert_num_queries(0):
        for page in range(1, 1000):
            job.progress(page, 1000, "pages")
    assert now(job).made == 0
    job.progress(1000, 1000, "pages")
    assert now(job).made == 1000
    job.progress(1, 7, "photos")
    assert now(job).progress_line == "1 of 7 photos"


@pytest.mark.parametrize(
    ("made", "total", "words", "line"),
    [
        (0, 0, "", ""),
        (0, 40, "pages", "0 of 40 pages"),
        (1200, 4000, "photos", "1,200 of 4,000 photos"),
        (12, 0, "pages", "12 pages"),
        (12, 40, "", "12 of 40"),
    ],
)
def test_the_line_of_progress(made, total, words, line):
    assert Job(made=made, total=total, words=words).progress_line == line


# -- fencing --


@pytest.fixture
def overtaken(site, clara):
    """(the job as its first worker has it, as the second has it), after the first's lease ran out."""
    ask(clara, site=site)
    first = jobs.take("first", NOON)
    return first, jobs.take("second", timezone.now())


@pytest.mark.parametrize(
    "write",
    [
        lambda job: job.progress(40, 40, "pages"),
        lambda job: job.renew(),
        lambda job: job.finish({"words": "mine"}),
        lambda job: job.fail("mine"),
        lambda job: job.give_back(),
    ],
    ids=["progress", "renew", "finish", "fail", "give back"],
)
def test_who_was_overtaken_writes_nothing(overtaken, write):
    first, second = overtaken
    before = Job.objects.filter(pk=first.pk).values().get()
    with pytest.raises(Overtaken):
        write(first)
    assert Job.objects.filter(pk=first.pk).values().get() == before
    second.finish({"words": "second's"})
    with pytest.raises(Overtaken):
        write(first)
    assert now(second).result == {"words": "second's"}


def test_nobody_writes_to_a_job_that_was_never_taken(site, clara):
    job = ask(clara, site=site)
    with pytest.raises(Overtaken):
        job.finish()
    assert now(job).state == JobState.WAITING


@pytest.mark.django_db(transaction=True)
def test_a_job_made_twice_stores_one_result(site, clara, monkeypatch, caplog):
    """The first worker stalls before it stores, the second does everything, the first wakes up."""
    seconds = []

    def stall(job):
        monkeypatch.delitem(long_work.STEPS, "stall")
        Job.objects.filter(pk=job.pk).update(lease_until=NOON)
        seconds.append(jobs.take("second", timezone.now()))
        jobs.make(seconds[0])

    monkeypatch.setitem(long_work.STEPS, "stall", stall)
    job = ask(clara, site=site, kind="storing", name="Juniper", before="stall")
    jobs.make(jobs.take("first", timezone.now()))
    account = Account.objects.get()
    assert account.legal_name == "Juniper 2"
    assert (now(job).state, now(job).worker, now(job).result) == (JobState.DONE, "second", {"account": account.pk})
    assert "went to another worker" in caplog.text


def test_work_that_survives_every_error_does_not_survive_being_overtaken(overtaken, step):
    first, second = overtaken
    with pytest.raises(Overtaken):
        try:
            first.progress(1, 2, "pages")
        except Exception:
            pytest.fail("swallowed")


def test_an_end_that_is_rolled_back_is_no_end(site, clara, step):
    def half(job):
        try:
            with transaction.atomic():
                job.finish({"words": "too early"})
                raise ZeroDivisionError
        except ZeroDivisionError:
            return {"words": "made after all"}

    job = jobs.run_now(ask(clara, site=site, **step(half)))
    assert (job.state, job.result) == (JobState.DONE, {"words": "made after all"})


# -- workers in threads --


def in_threads(count, work):
    """Run `work(number)` in threads of their own that begin together; what each gave."""
    gate, answers = threading.Barrier(count), [None] * count

    def run(number):
        try:
            gate.wait()
            answers[number] = work(number)
        finally:
            connection.close()

    threads = [threading.Thread(target=run, args=(number,)) for number in range(count)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    return answers


@pytest.mark.django_db(transaction=True)
def test_eight_workers_never_take_the_same_job():
    clara = make_person(username="clara")
    asked = {ask(clara).pk for _ in range(40)}

    def take_all(number):
        taken = []
        while job := jobs.take(f"worker {number}", NOON):
            taken.append((job.pk, job.hold))
        return taken

    taken = [pair for answer in in_threads(8, take_all) for pair in answer]
    assert Counter(pk for pk, _ in taken) == Counter(asked)
    assert dict(taken) == dict(Job.objects.values_list("pk", "hold"))
    assert set(Job.objects.values_list("attempts", flat=True)) == {1}


@pytest.mark.django_db(transaction=True)
def test_eight_people_who_ask_for_the_same_at_once_get_one_job():
    clara = make_person(username="clara")
    found = in_threads(8, lambda number: ask(clara, key="NOR-26-0001").pk)
    assert len(set(found)) == 1
    assert Job.objects.count() == 1


@pytest.mark.django_db(transaction=True)
def test_one_of_eight_takes_up_what_was_left_behind():
    ask(make_person(username="clara"))
    jobs.take("gone", NOON)
    taken = in_threads(8, lambda number: jobs.take(str(number), NOON + 2 * MINUTE))
    assert len([job for job in taken if job]) == 1
    assert Job.objects.get().attempts == 2


@pytest.mark.django_db(transaction=True)
def test_silent_work_keeps_its_lease_by_the_heartbeat_and_leaves_no_thread():
    ask(make_person(username="clara"), kind="silent", seconds=2.5)
    stop = threading.Event()
    alive = set(threading.enumerate())

    def work():
        jobs.work("w", stop=stop, once=True, lease=timedelta(seconds=1))
        connection.close()

    worker = threading.Thread(target=work)
    worker.start()
    first = wait_for(lambda: Job.objects.filter(state=JobState.RUNNING).first())
    wait_for(lambda: Job.objects.get().lease_until > first.lease_until + timedelta(seconds=1))
    assert jobs.take("thief", timezone.now()) is None
    worker.join()
    assert (states(), Job.objects.get().attempts) == (["done"], 1)
    assert set(threading.enumerate()) == alive


@pytest.mark.django_db(transaction=True)
def test_work_that_hangs_loses_its_lease(monkeypatch):
    monkeypatch.setattr(model, "STUCK_AFTER", 0.3)
    ask(make_person(username="clara"))
    job = jobs.take("w", timezone.now(), lease=timedelta(seconds=1))
    with jobs.heartbeat(job):
        wait_for(lambda: jobs.take("second", timezone.now()))
    assert Job.objects.get().worker == "second"


@pytest.mark.django_db(transaction=True)
def test_the_heartbeat_survives_a_database_that_does_not_answer(monkeypatch, caplog):
    ask(make_person(username="clara"))
    job = jobs.take("w", timezone.now(), lease=timedelta(seconds=0.6))
    renew, failures = job.renew, []

    def fail_once():
        if not failures:
            failures.append(1)
            raise DatabaseError("gone")
        renew()

    monkeypatch.setattr(job, "renew", fail_once)
    with jobs.heartbeat(job):
        wait_for(lambda: Job.objects.get().lease_until > job.lease_until)
    assert "could not be renewed" in caplog.text


@pytest.mark.django_db(transaction=True)
def test_a_worker_waits_for_a_database_that_is_away_and_goes_on(monkeypatch, tmp_path, caplog):
    ask(make_person(username="clara"), folder=str(tmp_path), pages=1)
    stop, take, failures = threading.Event(), jobs.take, []

    def fail_once(*arguments, **options):
        if not failures:
            failures.append(1)
            raise DatabaseError("gone")
        stop.set()
        return take(*arguments, **options)

    monkeypatch.setattr(jobs, "take", fail_once)
    monkeypatch.setattr(jobs, "POLL", 0.01)
    jobs.work("w", stop=stop)
    assert "did not answer" in caplog.text
    # Told to stop before its first word of progress: the job is in the queue again.
    assert states() == ["waiting"]


@pytest.mark.django_db(transaction=True)
def test_events_of_a_worker_say_that_they_are_its(step):
    site = make_site()

    def tell(job):
        with transaction.atomic():
            evidence.append(site=job.site, verb="told", record="test:1", actor=job.asked_by, at=NOON)

    ask(make_person("clerk", site), site=site, **step(tell))
    jobs.work("dock-pc", stop=threading.Event(), once=True)
    assert (states(), Event.objects.get().source) == (["done"], "worker dock-pc")


# -- the command, in processes of its own --


@pytest.fixture
def workers():
    """start(*options) -> a worker process; whatever still runs at the end of the test is killed."""
    started = []

    def start(*options, **how):
        started.append(start_worker(*options, **how))
        return started[-1]

    yield start
    for process in started:
        with suppress(ProcessLookupError):
            os.killpg(process.pid, signal.SIGKILL)
        process.communicate()


@pytest.mark.django_db(transaction=True)
def test_a_worker_works_off_the_queue_and_ends(workers, tmp_path):
    clara = make_person(username="clara")
    for pages in (1, 2, 3):
        ask(clara, folder=str(tmp_path), pages=pages)
    process = workers("--once", "--name", "dock-pc")
    output, _ = process.communicate(timeout=60)
    assert (process.returncode, output) == (0, "")
    assert states() == ["done"] * 3
    assert set(Job.objects.values_list("worker", flat=True)) == {"dock-pc"}
    assert [page for _, _, page in diary(tmp_path)] == [0, 0, 1, 0, 1, 2]


@pytest.mark.django_db(transaction=True)
def test_a_second_worker_ends_what_a_killed_one_began(workers, tmp_path):
    job = ask(make_person(username="clara"), folder=str(tmp_path), pages=12, pause=0.1)
    first = workers("--lease", "2", "--name", "first")
    wait_for(lambda: len(diary(tmp_path)) >= 3)
    os.kill(first.pid, signal.SIGKILL)
    first.wait()
    second = workers("--lease", "2", "--name", "second")
    wait_for(lambda: now(job).state == JobState.DONE)
    ended = now(job)
    assert (ended.worker, ended.attempts, ended.result["process"]) == ("second", 2, second.pid)
    told = diary(tmp_path)
    assert [page for pid, attempt, page in told if (pid, attempt) == (second.pid, 2)] == list(range(12))
    assert 3 <= len([1 for pid, _, _ in told if pid == first.pid]) < 12


@pytest.mark.django_db(transaction=True)
def test_two_workers_share_the_queue_and_make_everything_once(workers, tmp_path):
    clara = make_person(username="clara")
    for number in range(20):
        (tmp_path / str(number)).mkdir()
        ask(clara, folder=str(tmp_path / str(number)), pages=2, pause=0.05)
    both = [workers("--once", "--name", name) for name in ("first", "second")]
    assert [process.wait(timeout=60) for process in both] == [0, 0]
    assert states() == ["done"] * 20
    assert set(Job.objects.values_list("attempts", flat=True)) == {1}
    assert [len(diary(tmp_path / str(number))) for number in range(20)] == [2] * 20
    assert {job.result["process"] for job in Job.objects.all()} == {process.pid for process in both}


@pytest.mark.django_db(transaction=True)
@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_a_worker_told_to_stop_puts_its_job_back_and_ends_well(workers, tmp_path, number):
    job = ask(make_person(username="clara"), folder=str(tmp_path), pages=1000, pause=0.05)
    process = workers()
    wait_for(lambda: now(job).made)
    process.send_signal(number)
    output, _ = process.communicate(timeout=30)
    assert (process.returncode, output) == (0, "")
    back = now(job)
    assert (back.state, back.attempts, back.worker, back.hold) == (JobState.WAITING, 0, "", None)


@pytest.mark.django_db(transaction=True)
def test_an_idle_worker_told_to_stop_ends_at_once(workers):
    clara = make_person(username="clara")
    job = ask(clara, kind="silent", seconds=0)
    process = workers()
    wait_for(lambda: now(job).state == JobState.DONE)
    process.terminate()
    assert process.wait(timeout=5) == 0


@pytest.mark.django_db(transaction=True)
@pytest.mark.parametrize("seconds", [0, 300], ids=["idle", "in the middle of silent work"])
def test_a_worker_beside_a_server_goes_when_the_server_is_killed(workers, seconds):
    job = ask(make_person(username="clara"), kind="silent", seconds=seconds)
    server = workers(beside_server=True)
    reached = JobState.RUNNING if seconds else JobState.DONE
    wait_for(lambda: now(job).state == reached)
    assert server.poll() is None
    server.kill()
    server.communicate(timeout=20)  # ends when the last process that could write has gone
    assert now(job).state == reached


@pytest.mark.django_db(transaction=True)
def test_a_worker_beside_a_living_process_works(workers, tmp_path):
    job = ask(make_person(username="clara"), folder=str(tmp_path), pages=30, pause=0.1)
    process = workers("--once", "--beside", str(os.getpid()))
    assert process.wait(timeout=60) == 0
    assert now(job).state == JobState.DONE


@pytest.mark.parametrize("seconds", ["0", "0.5", "-1", "1e9", "nan"])
def test_a_lease_that_makes_no_sense_is_refused(seconds):
    with pytest.raises(CommandError, match="give 1 to 86400 seconds"):
        call_command("work", "--once", "--lease", seconds)


def test_the_command_leaves_signals_and_threads_as_they_were(db):
    before = signal.getsignal(signal.SIGTERM), set(threading.enumerate())
    call_command("work", "--once", "--beside", str(os.getppid()), stdout=StringIO())
    assert (signal.getsignal(signal.SIGTERM), set(threading.enumerate())) == before


# -- cleaning up --


def test_what_is_finished_is_kept_thirty_days_and_what_is_not_for_ever(site, clara):
    old = timezone.now() - timedelta(days=30, minutes=1)
    fields = {"site": site, "kind": "diary", "asked_by": clara, "asked_at": old - MINUTE}
    Job.objects.create(key="done", state=JobState.DONE, finished_at=old, **fields)
    Job.objects.create(key="failed", state=JobState.FAILED, finished_at=old, **fields)
    kept = Job.objects.create(key="lately", state=JobState.DONE, finished_at=old + 2 * MINUTE, **fields)
    waiting = Job.objects.create(key="waiting", **fields)
    assert jobs.clean(timezone.now()) == 2
    assert set(Job.objects.all()) == {kept, waiting}


def test_a_worker_cleans_up_and_what_was_made_stays(site, clara):
    packet = make_packet_row(make_claim(site, actor=clara), actor=clara)
    finished = timezone.now() - timedelta(days=31)
    Job.objects.create(
        site=site,
        kind="packet",
        key=str(packet.claim),
        state=JobState.DONE,
        result={"url": packet.get_absolute_url()},
        asked_by=clara,
        asked_at=finished,
        finished_at=finished,
    )
    jobs.work("w", stop=threading.Event(), once=True)
    assert not Job.objects.exists()
    assert Packet.objects.get() == packet
    assert all(default_storage.exists(getattr(packet, kind)) for kind in ("pdf", "xlsx", "zip"))
