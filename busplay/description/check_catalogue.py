"""Check fields by name: facts only.

Every entry works highest bit first over a frame's covered bits in wire order; the check
field's own order says how the result goes out. Names, polynomials and constants are
those of the sources; `busplay.link.check_field` has the machinery.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class CheckEntry:
    """A check by its parameters; `bits` is the width of the field it needs."""

    bits: int
    polynomial: int
    initial: int
    xor: int
    source: str


CHECK_CATALOGUE: dict[str, CheckEntry] = {
    # x+1 leaves the parity of the covered bits as remainder.
    "parity_even": CheckEntry(1, 0b1, 0, 0, "computed: remainder modulo x+1"),
    "parity_odd": CheckEntry(1, 0b1, 0, 1, "computed: remainder modulo x+1, inverted"),
    "crc4_g704": CheckEntry(4, 0b0011, 0, 0, "ITU-T G.704: x^4+x+1"),
    "crc5_g704": CheckEntry(5, 0b10101, 0, 0, "ITU-T G.704: x^5+x^4+x^2+1"),
    "crc5_usb": CheckEntry(5, 0b00101, 0x1F, 0x1F, "USB 2.0, 8.3.5.1: x^5+x^2+1"),
    "hec_i432": CheckEntry(8, 0x07, 0, 0x55, "ITU-T I.432.1, header error control: x^8+x^2+x+1"),
    "crc8_smbus": CheckEntry(8, 0x07, 0, 0, "SMBus 2.0, packet error check: x^8+x^2+x+1"),
}
