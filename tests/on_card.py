"""All readings on a node's card, by the judge's decoders: docs/formats.md alone, nothing of the firmware."""

from hostsim import card_format


def on_card(node):
    """(ring id, {seq: {channel name: (scaled value, exponent)}}); absent values are left out."""
    card = node.card
    half = card_format.half_of(card.sectors)
    slot = card_format.layout_sector(card.peek(0))
    ring_id, channels = slot[2], slot[6]
    found = {}
    seq = 1
    while True:
        data = card.peek(card_format.place_of(seq, half))
        sector = card_format.data_sector(data) if data is not None else None
        if sector is None or sector[0] != ring_id or sector[1] != seq:
            return f"{ring_id:08x}", found
        at = 32 + (sector[4] - 1) * sector[3]
        fields = card_format.record(data, at, len(channels))[5]
        found[seq] = {
            name: (fields[2 * index], exponent)
            for index, (name, _, exponent, _) in enumerate(channels)
            if fields[2 * index] != card_format.ABSENT
        }
        seq += 1
