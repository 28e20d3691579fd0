"""Time stamps over a statement, by an authority that is not the shop (RFC 3161).

The time of packing is the word of the laptop's clock. An authority that signs the digest of the
statement with its own time makes it more than that.
"""

from __future__ import annotations

import hashlib
import warnings
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from earwitness.errors import RecordError

if TYPE_CHECKING:
    from datetime import datetime

TOKEN_BYTES = 1 << 20
"""Longest answer that is read [bytes]. Chosen: a hundred times one with its certificates."""

_DIGESTS = {
    "2.16.840.1.101.3.4.2.1": "sha256",
    "2.16.840.1.101.3.4.2.2": "sha384",
    "2.16.840.1.101.3.4.2.3": "sha512",
}
"""Digests that are accepted, by object identifier. RFC 5754, section 2."""
_GRANTED = 0
"""Status of an answer with a token. RFC 3161, section 2.4.2."""


@dataclass(frozen=True, slots=True)
class TimeStamp:
    """What an authority states."""

    time: datetime
    """When the statement existed, by the authority's clock."""
    algorithm: str
    imprint: bytes
    """Digest of what it speaks of, by `algorithm`."""
    answer: bytes
    """The whole answer, as it was received."""

    def speaks_of(self, statement: bytes) -> bool:
        """Tell whether it was made for these very bytes."""
        return hashlib.new(self.algorithm, statement).digest() == self.imprint


def request_for(statement: bytes) -> bytes:
    """Write the request that an authority answers (RFC 3161, section 2.4.1).

    By SHA-256, with the wish for its certificate, without a nonce: the same statement gives the
    same request, and an answer to an earlier one says the same of the same bytes.
    """
    from rfc3161_client import HashAlgorithm, TimestampRequestBuilder

    builder = TimestampRequestBuilder().data(statement).hash_algorithm(HashAlgorithm.SHA256)
    made: bytes = builder.nonce(nonce=False).cert_request(cert_request=True).build().as_bytes()
    return made


def read_stamp(data: bytes) -> TimeStamp:
    """Read the answer of an authority.

    Raises
    ------
    RecordError
        If it is no answer, grants nothing, or uses another digest than SHA-256, 384 or 512.
    """
    response = _response(data)
    if response.status != _GRANTED:
        raise RecordError(f"The authority refused the time stamp (status {response.status})")
    try:
        info = response.tst_info
        algorithm = _DIGESTS.get(info.message_imprint.hash_algorithm.dotted_string)
        stamp = (info.gen_time, info.message_imprint.message)
    except (ValueError, TypeError, OverflowError) as e:
        raise RecordError("The time stamp is damaged: it states no time or no digest") from e
    if algorithm is None:
        raise RecordError("The time stamp uses another digest than SHA-256, SHA-384 or SHA-512")
    return TimeStamp(stamp[0], algorithm, stamp[1], data)


def check_authority(stamp: TimeStamp, certificates: bytes) -> None:
    """Check that an authority signed a time stamp.

    Parameters
    ----------
    stamp : TimeStamp
        The time stamp.
    certificates : bytes
        PEM text with the certificate of the authority, or of whoever certified it.

    Raises
    ------
    RecordError
        If there is no certificate in the text, or none of them vouches for the signature at the
        time that is stated.
    """
    from cryptography.x509 import InvalidVersion, load_pem_x509_certificates
    from rfc3161_client import VerificationError, VerifierBuilder

    try:
        roots = load_pem_x509_certificates(certificates)
    except ValueError as e:
        raise RecordError(
            "The authority's file holds no certificate in PEM",
            remedy="Give the certificate that the authority publishes.",
        ) from e
    verifier = VerifierBuilder(roots=list(roots)).build()
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # certificates of strangers are not of the best form
            verifier.verify(_response(stamp.answer), stamp.imprint)
    except (VerificationError, InvalidVersion, ValueError, TypeError) as e:
        raise RecordError(
            "The time stamp was not signed by the authority of this certificate",
            remedy="Give the certificate of the authority that made it.",
        ) from e


def _response(data: bytes) -> Any:
    from rfc3161_client import decode_timestamp_response

    if len(data) > TOKEN_BYTES:
        raise RecordError(f"The time stamp is longer than {TOKEN_BYTES} bytes")
    try:
        return decode_timestamp_response(data)
    except (ValueError, TypeError) as e:
        raise RecordError("The time stamp is no answer by RFC 3161") from e
