"""Read a board file's sender, receiver and host port."""

from __future__ import annotations

from busplay.description.address_ranges import AddressRange
from busplay.description.attributes import keys_of, read_key, read_keys
from busplay.description.board import (
    HOST_PORT_REGISTERS,
    BusyTime,
    HostPort,
    ReceiverEnd,
    Sender,
)
from busplay.description.limits import ADDRESS_MAX, LIMITS, VECTORS_FIRST_ADDRESS
from busplay.description.toml_reader import Table, show_address

SENDER_KEYS = keys_of(Sender)
RECEIVER_KEYS = keys_of(ReceiverEnd)
BUSY_KEYS = keys_of(BusyTime)
HOST_PORT_KEYS = keys_of(HostPort)


def read_sender(table: Table | None) -> Sender:
    """Read the board's end of the link; None: its defaults."""
    return Sender() if table is None else Sender(**read_keys(table, Sender))


def read_receiver(table: Table | None) -> ReceiverEnd:
    """Read the far end of the link; None: its defaults.

    Raises:
        DescriptionError: a value is out of range, or times contradict each other.
    """
    if table is None:
        return ReceiverEnd()
    names = ("fifo_depth", "service_ns", "deadline_ns", "correct_one_bit")
    receiver = ReceiverEnd(
        **read_keys(table, ReceiverEnd, *names),
        busy=tuple(_read_busy(one) for one in table.tables("busy", BUSY_KEYS)),
    )
    if receiver.deadline_ns is not None and receiver.deadline_ns < receiver.service_ns:
        raise table.error(
            "deadline_ns",
            found=str(receiver.deadline_ns),
            wanted=f"one frame alone takes service_ns = {receiver.service_ns}, so give that or"
            " more",
        )
    return receiver


def _read_busy(table: Table) -> BusyTime:
    period_ns = read_key(table, BusyTime, "period_ns")
    hint = f" (less than period_ns = {period_ns})"
    length_ns = table.integer("length_ns", 1, period_ns - 1, hint=hint)
    phase_ns = table.integer("phase_ns", 0, period_ns - 1, default=0, hint=hint)
    jitter_ns = table.integer(
        "jitter_ns",
        0,
        period_ns - length_ns,
        default=0,
        hint=f" (so that it ends within its period of {period_ns})",
    )
    return BusyTime(period_ns, length_ns, phase_ns, jitter_ns)


def read_host_port(table: Table | None, *, clock_hz: int) -> HostPort | None:
    """Read where the host port lies; None: the board has none.

    Raises:
        DescriptionError: the port would cover the vectors, or refresh outruns the clock.
    """
    if table is None:
        return None
    first_address = table.integer("first_address", 0, ADDRESS_MAX, address=True)
    last_first = LIMITS[HostPort, "first_address"][1]
    if first_address > last_first:
        raise table.error(
            "first_address",
            found=show_address(first_address),
            wanted=f"its {HOST_PORT_REGISTERS} registers must end below the vectors at "
            f"{show_address(VECTORS_FIRST_ADDRESS)}, so give {show_address(last_first)} "
            "or less",
        )
    least_hz, most_hz = LIMITS[HostPort, "refresh_hz"]
    return HostPort(
        first_address=first_address,
        refresh_hz=table.integer(
            "refresh_hz", least_hz, min(most_hz, clock_hz), default=min(60, clock_hz)
        ),
        random_seed=read_key(table, HostPort, "random_seed"),
    )


def host_port_range(port: HostPort) -> AddressRange:
    """Return the addresses of the host port's registers."""
    return AddressRange(
        "the host port", port.first_address, port.first_address + HOST_PORT_REGISTERS - 1
    )
