"""Whether a browser has a file already (RFC 9110, section 13): entity tags and dates."""

from __future__ import annotations

import os
from dataclasses import dataclass
from email.message import Message
from email.utils import formatdate, parsedate_to_datetime
from http import HTTPStatus


@dataclass(frozen=True, slots=True)
class Validators:
    """What tells one version of a file from another."""

    etag: str
    modified: int  # seconds since 1970, as dates of HTTP have no finer ones

    @classmethod
    def of(cls, status: os.stat_result) -> Validators:
        """A pack's files are replaced, never changed, so that a strong tag may come from these."""
        tag = f'"{status.st_mtime_ns:x}-{status.st_size:x}-{status.st_ino:x}"'
        return cls(tag, int(status.st_mtime))

    @property
    def last_modified(self) -> str:
        return formatdate(self.modified, usegmt=True)

    def instead(self, headers: Message) -> HTTPStatus | None:
        """What to answer in the file's place, by section 13.2.2: 412, 304 or nothing."""
        match, unmodified = headers.get("If-Match"), headers.get("If-Unmodified-Since")
        if match is not None:
            if not self._listed(match, weak=False):
                return HTTPStatus.PRECONDITION_FAILED
        elif unmodified is not None and self._newer_than(unmodified):
            return HTTPStatus.PRECONDITION_FAILED
        none_match, since = headers.get("If-None-Match"), headers.get("If-Modified-Since")
        if none_match is not None:
            return HTTPStatus.NOT_MODIFIED if self._listed(none_match, weak=True) else None
        known = since is not None and self._newer_than(since) is False
        return HTTPStatus.NOT_MODIFIED if known else None

    def may_resume(self, if_range: str | None) -> bool:
        """Whether a range may be sent: the version that it belongs to is this one."""
        return if_range is None or if_range.strip() in (self.etag, self.last_modified)

    def _listed(self, tags: str, *, weak: bool) -> bool:
        """Whether a list of tags, or `*`, has this one; a weak one counts only if `weak`."""
        words = [word.strip() for word in tags.split(",")]
        plain = [word.removeprefix("W/") for word in words] if weak else words
        return words == ["*"] or self.etag in plain

    def _newer_than(self, date: str) -> bool | None:
        """None where the date cannot be read; it is then as if it were not there."""
        try:
            return self.modified > parsedate_to_datetime(date).timestamp()
        except (ValueError, TypeError, OverflowError, IndexError):
            return None
