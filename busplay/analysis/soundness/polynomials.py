"""Check polynomials of more bits than an exhaustive search can take: those in common use.

Each is without its highest term, highest bit first. Facts only; `search` tries them.
"""

from __future__ import annotations

KNOWN_POLYNOMIALS: dict[int, tuple[int, ...]] = {
    11: (0x385, 0x307),  # FlexRay header; UMTS
    12: (0x80F,),  # UMTS
    13: (0x1CF5,),  # a radio time signal
    14: (0x0805, 0x202D),  # DARC; GSM
    15: (0x4599,),  # CAN
    16: (0x1021, 0x8005, 0x3D65, 0x8BB7, 0xC867),  # V.41; IBM; DNP; T10-DIF; CDMA2000
    17: (0x1685B,),  # CAN FD
    21: (0x102899,),  # CAN FD
    24: (0x864CFB, 0x5D6DCB),  # OpenPGP; FlexRay
    30: (0x2030B9C7,),  # CDMA
    31: (0x04C11DB7,),  # the 32-bit one of Ethernet, a bit less
    32: (0x04C11DB7, 0x1EDC6F41, 0xA833982B),  # Ethernet; Castagnoli; CRC-32D
}
