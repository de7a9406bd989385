"""Reading multipart/form-data straight into the file store.

Starlette would first spool every file to the temporary folder, where a small tmpfs fills up; here
each file goes to its place as it arrives, hashed and counted.
"""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import AbstractContextManager
from dataclasses import dataclass, field
from functools import partial

from python_multipart.exceptions import FormParserError
from python_multipart.multipart import MultipartParser, parse_options_header

from api.uploads.service import buffered, display_name, empty, on_disk, too_large
from shared.errors import FileTooLarge, MediaTypeUnsupported, RequestInvalid, UploadIncomplete
from shared.file_writers import StoredFile
from shared.filestore import FileStore, FileWriter

MEMORY_LIMIT_BYTES = 1024 * 1024  # of a field, or of a plan's file; everything else goes to the disk
PART_LIMIT = 100  # a head has five to fifteen cores


@dataclass(frozen=True)
class FormFile:
    """A file of the form, stored."""

    field: str
    name: str
    stored: StoredFile


@dataclass
class Form:
    """What the form held; the caller owns the stored files."""

    fields: dict[str, str] = field(default_factory=dict)
    files: list[FormFile] = field(default_factory=list)


@dataclass(frozen=True)
class FormLimits:
    """file_bytes : of one file;  in_memory : fields whose files are read as text instead of stored."""

    file_bytes: int
    in_memory: frozenset[str]


async def read_form(chunks: AsyncIterator[bytes], content_type: str, store: FileStore, limits: FormLimits) -> Form:
    """Read a whole form.

    Raises
    ------
    MediaTypeUnsupported, RequestInvalid, UploadIncomplete, FileEmpty, FileTooLarge, StorageFull
        Files stored before are deleted again.

    """
    reader = _FormReader(store, limits)
    parser = _parser(content_type, reader)
    try:
        async for buffer in buffered(chunks):
            await on_disk(partial(parser.write, buffer))
        reader.check_whole()
    except BaseException as error:
        reader.undo()
        if isinstance(error, FormParserError):
            raise RequestInvalid(
                "The body is no multipart form.", advice="Send it with curl -F, for instance."
            ) from error
        raise
    return reader.form


def _parser(content_type: str, reader: _FormReader) -> MultipartParser:
    kind, options = parse_options_header(content_type)
    if kind != b"multipart/form-data" or b"boundary" not in options:
        raise MediaTypeUnsupported(
            "This address takes multipart/form-data.", advice="Send it with curl -F nominal=@FILE -F scan=@FILE."
        )
    return MultipartParser(
        options[b"boundary"],
        {
            "on_part_begin": reader.begin_part,
            "on_header_field": reader.add_header_name,
            "on_header_value": reader.add_header_value,
            "on_header_end": reader.end_header,
            "on_headers_finished": reader.begin_content,
            "on_part_data": reader.add_content,
            "on_part_end": reader.end_part,
            "on_end": reader.end,
        },
    )


class _FormReader:
    """Takes the parser's calls; one part is open at a time."""

    def __init__(self, store: FileStore, limits: FormLimits) -> None:
        self.form = Form()
        self._is_whole = False
        self._store, self._limits = store, limits
        self._part_count = 0
        self._header = (bytearray(), bytearray())
        self._disposition = b""
        self._field, self._file_name = "", ""
        self._text: bytearray | None = None
        self._opened: AbstractContextManager[FileWriter] | None = None
        self._writer: FileWriter | None = None

    def begin_part(self) -> None:
        self._part_count += 1
        if self._part_count > PART_LIMIT:
            raise RequestInvalid(f"The form has more than {PART_LIMIT} parts.", advice="Send the files one by one.")
        self._disposition = b""

    def add_header_name(self, data: bytes, start: int, end: int) -> None:
        self._header[0].extend(data[start:end])

    def add_header_value(self, data: bytes, start: int, end: int) -> None:
        self._header[1].extend(data[start:end])

    def end_header(self) -> None:
        name, value = self._header
        if bytes(name).lower() == b"content-disposition":
            self._disposition = bytes(value)
        self._header = (bytearray(), bytearray())

    def begin_content(self) -> None:
        _, options = parse_options_header(self._disposition)
        if b"name" not in options:
            raise RequestInvalid("A part of the form has no name.", advice="Give every part its field name.")
        self._field = options[b"name"].decode("utf-8", "replace")
        self._file_name = options.get(b"filename", b"").decode("utf-8", "replace")
        if b"filename" not in options or self._field in self._limits.in_memory:
            self._text = bytearray()
        else:
            self._opened = self._store.new_file()
            self._writer = self._opened.__enter__()

    def add_content(self, data: bytes, start: int, end: int) -> None:
        if self._writer is not None:
            if self._writer.size_bytes + end - start > self._limits.file_bytes:
                raise too_large(self._shown_name, self._limits.file_bytes)
            self._writer.write(data[start:end])
        elif self._text is not None:
            if len(self._text) + end - start > MEMORY_LIMIT_BYTES:
                raise FileTooLarge(
                    f"{self._field} is longer than {MEMORY_LIMIT_BYTES // 1024} KiB.",
                    file=self._shown_name,
                    advice="Is this the right file?",
                )
            self._text += data[start:end]

    def end_part(self) -> None:
        if self._writer is not None:
            self._end_file(self._writer)
            self._close()
        elif self._text is not None:
            self._end_text(self._text)

    def end(self) -> None:
        self._is_whole = True

    def check_whole(self) -> None:
        """Refuse a form cut short."""
        if not self._is_whole:
            raise UploadIncomplete("The form ends before its last boundary.", advice="Send it again.")

    def undo(self) -> None:
        """Leave nothing behind."""
        self._close()
        for file in self.form.files:
            self._store.delete(file.stored.key)

    @property
    def _shown_name(self) -> str:
        return display_name(self._file_name or self._field)

    def _end_file(self, writer: FileWriter) -> None:
        if writer.size_bytes > 0:
            self.form.files.append(FormFile(self._field, self._shown_name, writer.commit()))
        elif self._file_name:
            raise empty(self._shown_name)
        # a browser sends a file input nobody used as a file without name and content

    def _end_text(self, content: bytearray) -> None:
        try:
            text = content.decode("utf-8-sig")
        except UnicodeDecodeError as error:
            raise RequestInvalid(f"{self._field} is not UTF-8 text.", advice="Is this the right file?") from error
        if self._field in self.form.fields:
            raise RequestInvalid(f"{self._field} is given twice.", advice="Give it once.")
        if text:
            self.form.fields[self._field] = text
        self._text = None

    def _close(self) -> None:
        if self._opened is not None:
            self._opened.__exit__(None, None, None)
        self._opened = self._writer = None
