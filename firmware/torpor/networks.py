"""In which order the networks are tried.

Law: every network in the settings is reached by the order, and none is left out for ever.
"""

# failed slots in a row after which the networks of the last good settings are tried too
PREVIOUS_FAILURES = 3
# no look-up takes a time-out: where nobody answers, a resolver asks again and again for so long (lwIP, from memory)
NAME_MS_MAX = 15000


def order(settings, previous, r, failures):
    """[(index, network, hinted)] to try in one wake, best first.

    The settings' order is the user's preference; the last good one comes first when the settings say so. A hinted try
    joins by the remembered BSSID and channel, without a scan; the same network follows without the hint, since an
    access point may have been replaced. After three failed slots, or when it was one of them that worked last, the
    networks of the last good settings (`previous`) follow, under the indexes behind those of the settings in force.
    """
    current = settings["network"]
    listed = [(index, current[index]) for index in range(len(current))]
    last = r.network - 1
    if previous is not None and (failures >= PREVIOUS_FAILURES or last >= len(current)):
        for index in range(len(previous["network"])):
            network = previous["network"][index]
            if network not in current:
                listed.append((len(current) + index, network))
    if settings["radio"]["last_good_first"]:
        for position in range(len(listed)):
            if listed[position][0] == last:
                listed.insert(0, listed.pop(position))
                break
    found = []
    for index, network in listed:
        if index == last and r.channel:
            found.append((index, network, True))
        found.append((index, network, False))
    return found


def after(candidates, tried):
    """The candidates that come after the one that hung the board: `tried` is its index + 1, 0 when none did."""
    for position in range(len(candidates)):
        if candidates[position][0] == tried - 1:
            rest = candidates[position + 1 :]
            while rest and rest[0][0] == tried - 1:
                rest = rest[1:]
            return rest
    return candidates
