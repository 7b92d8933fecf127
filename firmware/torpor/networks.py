"""In which order the networks are tried. Law: every network in the settings is reached by the order, none for ever last."""


def order(settings, previous, r, failures):
    """[(index, network, hinted)] to try in one wake, best first.

    The settings' order is the user's preference; the last good one comes first when the settings say so. A hinted try
    joins by the remembered BSSID and channel, without a scan; the same network follows without the hint, since an
    access point may have been replaced. After three failed slots the networks of the last good settings (`previous`) follow.
    """
    listed = []
    for index in range(len(settings["network"])):
        listed.append((index, settings["network"][index]))
    if previous is not None and failures >= 3:
        for network in previous["network"]:
            listed.append((len(listed), network))
    last = r.network - 1
    if settings["radio"]["last_good_first"] and 0 <= last < len(listed):
        listed.insert(0, listed.pop(last))
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
