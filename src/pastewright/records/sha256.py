"""Names of files by their content: SHA-256 in hexadecimal, lower case (FIPS 180-4)."""

from typing import Annotated

from msgspec import Meta

Sha256 = Annotated[str, Meta(pattern="^[0-9a-f]{64}$")]
MaybeSha256 = Annotated[str, Meta(pattern="^([0-9a-f]{64})?$")]
