"""Every expected failure of Firstpour.

    FirstpourError
    ├── InputError            the caller's file or request is at fault: names it, says what to do
    │   ├── FileRejected      a file cannot be taken (subclasses in this module, one per cause)
    │   ├── UnitMismatch      the stated unit makes scan and nominal differ by 25.4 or 1000
    │   ├── PlanInvalid       the plan is wrong, with the path and line of each fault
    │   └── RequestInvalid    anything else about a request (subclasses: too large, replayed key, damaged upload..)
    ├── PassphraseWrong       of a share link; PassphraseNeeded: none given yet; TooManyTries: wait; LinkForbids
    ├── AccessRefused         the caller may not do this: Unauthenticated, ScopeMissing
    ├── LimitReached          the key has used up what it may: RateLimited, JobQuotaReached, StorageQuotaReached
    ├── NotFound              no such thing (or not for this caller); UploadExpired, FileSwept: no longer
    ├── Conflict              the thing exists but is in the wrong state for this
    └── ServiceUnavailable    we cannot take it now; try again later (QueueFull, StorageFull: after ``retry_after_s``)

Errors carry their data as attributes in ``data`` and know nothing of HTTP.  What could not be
*measured* is no error: it is a value in the report with its reason.
"""

from __future__ import annotations

from typing import ClassVar

Datum = str | int | float | bool | None | list[str]


class FirstpourError(Exception):
    """Base of all expected failures.

    message : what is wrong, naming the file or field
    advice : what the caller can do about it
    data : figures a program can read, JSON types only
    """

    code: ClassVar[str] = "error"

    def __init__(self, message: str, *, advice: str, **data: Datum) -> None:
        super().__init__(message)
        self.message = message
        self.advice = advice
        self.data = data

    def __str__(self) -> str:
        return f"{self.message} {self.advice}"


class InputError(FirstpourError):
    """The caller's file or request is at fault."""

    code = "input_invalid"


class FileRejected(InputError):
    """A file cannot be taken.  ``file`` is its display name."""

    code = "file_rejected"

    def __init__(self, message: str, *, file: str, advice: str, **data: Datum) -> None:
        super().__init__(message, advice=advice, file=file, **data)
        self.file = file


class FileEmpty(FileRejected):
    """Zero bytes, or no geometry at all."""

    code = "file_empty"


class FileTooLarge(FileRejected):
    """More bytes, triangles or points than the limit."""

    code = "file_too_large"


class FileTruncated(FileRejected):
    """Shorter than its own header says."""

    code = "file_truncated"


class FileCorrupt(FileRejected):
    """Content contradicts itself or the format."""

    code = "file_corrupt"


class FileKindUnknown(FileRejected):
    """Not a format Firstpour reads, or not what its name says."""

    code = "file_kind_unknown"


class FileKindWrong(FileRejected):
    """A readable file in the wrong place, such as a point cloud given as nominal."""

    code = "file_kind_wrong"


class FileValuesInvalid(FileRejected):
    """NaN, infinite or absurdly far coordinates."""

    code = "file_values_invalid"


class FileExpandsTooFar(FileRejected):
    """An archive whose content would outgrow the limit."""

    code = "file_expands_too_far"


class ReaderDied(FileRejected):
    """The guarded reader crashed, hung or outgrew its memory on this file."""

    code = "reader_died"


class UnitMissing(InputError):
    """The file carries no unit and the caller stated none."""

    code = "unit_missing"


class UnitMismatch(InputError):
    """Scan and nominal differ in size by about 25.4 or 1000."""

    code = "unit_mismatch"


class PlanInvalid(InputError):
    """The plan is wrong; ``faults`` lists path and line of each."""

    code = "plan_invalid"


class RequestInvalid(InputError):
    """A field of the request is missing or wrong."""

    code = "request_invalid"


class RequestTooLarge(RequestInvalid):
    """A request body, other than a file, past its limit."""

    code = "request_too_large"


class UriTooLong(RequestInvalid):
    """An address longer than any of ours."""

    code = "uri_too_long"


class HeadersTooLarge(RequestInvalid):
    """More headers, or longer ones, than any sound client sends."""

    code = "headers_too_large"


class RangeRefused(RequestInvalid):
    """Several ranges of a file at once."""

    code = "range_refused"


class RequestForbidden(RequestInvalid):
    """Sent by a page of another site, or to a host name that is not ours."""

    code = "request_forbidden"


class MethodNotAllowed(RequestInvalid):
    """That address does not answer this method."""

    code = "method_not_allowed"


class MediaTypeUnsupported(RequestInvalid):
    """A body of the wrong content type."""

    code = "media_type_unsupported"


class IdempotencyKeyReused(RequestInvalid):
    """The key came before with another request."""

    code = "idempotency_key_reused"


class UrlRefused(RequestInvalid):
    """A webhook may not go to that address."""

    code = "url_refused"


class UploadIncomplete(RequestInvalid):
    """The body ended before its announced length."""

    code = "upload_incomplete"


class ChecksumMismatch(RequestInvalid):
    """What arrived is not what the caller says was sent."""

    code = "checksum_mismatch"


class ProtocolVersionUnsupported(RequestInvalid):
    """A version of the resumable upload protocol that is not spoken here."""

    code = "protocol_version_unsupported"


class AccessRefused(FirstpourError):
    """The caller may not do this."""

    code = "access_refused"


class Unauthenticated(AccessRefused):
    """No valid access key: none, or one that is malformed, unknown, expired or revoked; which, is not told."""

    code = "unauthenticated"

    def __init__(self) -> None:
        super().__init__(
            "This needs a valid access key.",
            advice="Send it as 'Authorization: Bearer fp_...'; ask whoever runs this server for one.",
        )


class ScopeMissing(AccessRefused):
    """The access key is valid but does not have the scope this needs."""

    code = "scope_missing"


class LimitReached(FirstpourError):
    """The caller's key has used up what it may."""

    code = "limit_reached"


class RateLimited(LimitReached):
    """More requests a minute than the key may make."""

    code = "rate_limited"


class JobQuotaReached(LimitReached):
    """As many jobs wait and run for this key as it may have at a time."""

    code = "job_quota_reached"


class StorageQuotaReached(LimitReached):
    """The files of this key take all the room it may have."""

    code = "storage_quota_reached"


class NotFound(FirstpourError):
    """No such thing, or not for this caller."""

    code = "not_found"


class PassphraseWrong(FirstpourError):
    """Not the passphrase of the link."""

    code = "passphrase_wrong"


class PassphraseNeeded(PassphraseWrong):
    """The link asks for a passphrase first."""

    code = "passphrase_needed"


class LinkForbids(FirstpourError):
    """The link does not allow this."""

    code = "link_forbids"


class TooManyTries(FirstpourError):
    """Too many wrong passphrases; ``retry_after_s`` says when the next is looked at."""

    code = "too_many_tries"


class UploadExpired(NotFound):
    """A resumable upload left unfinished too long."""

    code = "upload_expired"


class FileSwept(NotFound):
    """A file that was deleted at the end of its time, or the report of an inspection whose files were."""

    code = "file_swept"


class Conflict(FirstpourError):
    """The thing is in the wrong state for this."""

    code = "conflict"


class ReportNotReady(Conflict):
    """The inspection has no report, or none yet."""

    code = "report_not_ready"


class FeaturesNotReady(Conflict):
    """The features of the revision are not listed, or not yet."""

    code = "features_not_ready"


class UploadBusy(Conflict):
    """Another request is writing to this upload at this moment."""

    code = "upload_busy"


class ServiceUnavailable(FirstpourError):
    """Cannot be taken now; later it can."""

    code = "service_unavailable"


class QueueFull(ServiceUnavailable):
    """As many jobs wait as this server lets wait."""

    code = "queue_full"


class StorageFull(ServiceUnavailable):
    """The server's disk has no room for this."""

    code = "storage_full"
