"""One attempt: who is called, who is not, and what every kind of answer comes to."""

from __future__ import annotations

import socket
import ssl
import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from email.utils import format_datetime

import httpcore
import pytest
import trustme

from shared.addresses import AddressRules
from tests.support.receiver import Receiver, dripping, receiving
from worker.delivery.posting import Answer, Poster

LOOPBACK = AddressRules("127.0.0.0/8")
NAME = "hooks.example"
HEADERS = {"webhook-id": "msg_1"}


class Lookups:
    """A resolver that gives the next answer each time it is asked, and counts."""

    def __init__(self, *answers: list[str]) -> None:
        self.answers, self.asked = list(answers), 0

    def __call__(self, _host: str, _port: int) -> list[str]:
        self.asked += 1
        return self.answers.pop(0) if len(self.answers) > 1 else self.answers[0]


@pytest.fixture
def receiver() -> Iterator[Receiver]:
    with receiving() as receiver:
        yield receiver


def post(url: str, rules: AddressRules = LOOPBACK) -> Answer:
    return Poster(rules).post(url, HEADERS, "{}")


def test_a_message_arrives_with_its_headers_and_body(receiver: Receiver) -> None:
    assert post(receiver.url).is_success
    (got,) = receiver.received
    assert (got.method, got.path, got.body) == ("POST", "/hook", "{}")
    assert got.headers.items() >= {"webhook-id": "msg_1", "content-type": "application/json"}.items()
    assert got.headers["host"] == f"127.0.0.1:{receiver.port}"


def test_a_name_is_looked_up_once_and_kept_in_the_host_header(receiver: Receiver) -> None:
    look_up = Lookups(["127.0.0.1"])
    assert Poster(LOOPBACK, look_up).post(f"http://{NAME}:{receiver.port}/hook", HEADERS, "{}").is_success
    assert look_up.asked == 1
    assert receiver.received[0].headers["host"] == f"{NAME}:{receiver.port}"


@pytest.mark.parametrize("rules", [AddressRules(), AddressRules("10.0.0.0/8")])
def test_a_loopback_address_is_not_called_unless_it_is_listed(receiver: Receiver, rules: AddressRules) -> None:
    answer = post(receiver.url, rules)
    assert (answer.status, receiver.received) == (None, [])
    assert answer.error


@pytest.mark.parametrize("addresses", [["127.0.0.1"], ["1.1.1.1", "127.0.0.1"], ["::ffff:127.0.0.1"], ["0.0.0.0"]])  # noqa: S104 - to be refused
def test_a_name_that_leads_inside_is_not_called(receiver: Receiver, addresses: list[str]) -> None:
    answer = Poster(AddressRules(), Lookups(addresses)).post(f"https://{NAME}:{receiver.port}/", HEADERS, "{}")
    assert answer == Answer(None, f"{NAME} leads to an address that is not public.")


def test_a_name_that_turns_private_after_the_check_is_never_asked_again(
    receiver: Receiver, monkeypatch: pytest.MonkeyPatch
) -> None:
    """DNS rebinding: the second answer of the name would be this machine."""
    connected: list[str] = []

    def refuse(_self: object, host: str, *_: object) -> httpcore.NetworkStream:
        connected.append(host)
        raise httpcore.ConnectError("nobody there")

    monkeypatch.setattr(httpcore.SyncBackend, "connect_tcp", refuse)
    look_up = Lookups(["1.1.1.1"], ["127.0.0.1"])
    answer = Poster(AddressRules(), look_up).post(f"https://{NAME}:{receiver.port}/", HEADERS, "{}")
    assert answer == Answer(None, "cannot be connected to")
    assert (look_up.asked, connected, receiver.received) == (1, ["1.1.1.1"], [])


def test_a_name_nobody_knows_is_an_error_of_the_attempt() -> None:
    def unknown(_host: str, _port: int) -> list[str]:
        raise socket.gaierror(socket.EAI_NONAME, "Name or service not known")

    assert Poster(LOOPBACK, unknown).post(f"https://{NAME}/", HEADERS, "{}") == Answer(None, "cannot be connected to")


def test_a_second_address_is_tried_when_the_first_is_dead(receiver: Receiver) -> None:
    rules = AddressRules("127.0.0.0/8, ::1/128")  # nobody listens on the latter
    answer = Poster(rules, Lookups(["::1", "127.0.0.1"])).post(f"http://{NAME}:{receiver.port}/", HEADERS, "{}")
    assert answer.is_success


@pytest.mark.parametrize("status", [301, 302, 307, 308])
def test_a_redirect_is_not_followed(receiver: Receiver, status: int) -> None:
    receiver.statuses, receiver.headers = [status], {"location": f"{receiver.url}/elsewhere"}
    answer = post(receiver.url)
    assert (answer.status, answer.is_success) == (status, False)
    assert [got.path for got in receiver.received] == ["/hook"]


@pytest.mark.parametrize(("status", "is_success"), [(200, True), (204, True), (299, True), (400, False), (503, False)])
def test_only_2xx_is_a_success(receiver: Receiver, status: int, is_success: bool) -> None:
    receiver.statuses = [status]
    assert post(receiver.url).is_success is is_success


def test_an_answer_without_end_is_not_read_to_the_end(receiver: Receiver) -> None:
    receiver.statuses, receiver.answer_bytes = [200], 50 * 1024 * 1024
    assert post(receiver.url).is_success


def test_one_byte_now_and_then_does_not_hold_us_up() -> None:
    started_s = time.monotonic()
    with dripping(0.05) as port:
        answer = Poster(LOOPBACK, attempt_s=0.6).post(f"http://127.0.0.1:{port}/", HEADERS, "{}")
    assert answer == Answer(None, "no answer in time")
    assert time.monotonic() - started_s < 30  # it would never end by itself


def test_what_is_no_http_is_told() -> None:
    with dripping(0.05, b"SSH-2.0-server\r\n\r\n") as port:
        assert post(f"http://127.0.0.1:{port}/") == Answer(None, "the answer is not HTTP")


def test_a_port_nobody_listens_on_is_told() -> None:
    with socket.create_server(("127.0.0.1", 0)) as listening:
        port = listening.getsockname()[1]
    assert post(f"http://127.0.0.1:{port}/") == Answer(None, "cannot be connected to")


@pytest.mark.parametrize(("value", "expected_s"), [("120", 120), ("soon", None), ("-5", None)])
def test_the_wish_to_be_left_alone_is_heard(receiver: Receiver, value: str, expected_s: float | None) -> None:
    receiver.statuses, receiver.headers = [429], {"retry-after": value}
    assert post(receiver.url).retry_after_s == expected_s


def test_the_wish_may_be_a_date(receiver: Receiver) -> None:
    date = format_datetime(datetime.now(UTC) + timedelta(hours=1), usegmt=True)
    receiver.statuses, receiver.headers = [503], {"retry-after": date}
    assert post(receiver.url).retry_after_s == pytest.approx(3600, abs=60)


@pytest.fixture(scope="module")
def authority() -> trustme.CA:
    return trustme.CA()


def serving(authority: trustme.CA, name: str) -> ssl.SSLContext:
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    authority.issue_cert(name).configure_cert(context)
    return context


def trusting(authority: trustme.CA) -> ssl.SSLContext:
    context = ssl.create_default_context()
    authority.configure_trust(context)
    return context


@pytest.mark.parametrize(("certified", "is_success"), [(NAME, True), ("other.example", False)])
def test_tls_goes_by_the_name_not_the_address(authority: trustme.CA, certified: str, is_success: bool) -> None:
    with receiving(serving(authority, certified)) as receiver:
        poster = Poster(LOOPBACK, Lookups(["127.0.0.1"]), trusting(authority))
        answer = poster.post(f"https://{NAME}:{receiver.port}/", HEADERS, "{}")
    assert answer.is_success is is_success


def test_a_certificate_nobody_vouches_for_is_refused(authority: trustme.CA) -> None:
    with receiving(serving(authority, NAME)) as receiver:
        poster = Poster(LOOPBACK, Lookups(["127.0.0.1"]))
        answer = poster.post(f"https://{NAME}:{receiver.port}/", HEADERS, "{}")
    assert (answer.error, receiver.received) == ("cannot be connected to", [])


def test_proxies_of_the_environment_are_not_used(receiver: Receiver, monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("http_proxy", "HTTP_PROXY", "all_proxy"):
        monkeypatch.setenv(name, "http://127.0.0.1:9")
    assert post(receiver.url).is_success
