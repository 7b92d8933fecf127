"""When to try again. Law: a waiting time lies in [0, cap] and never depends on anything but its arguments.

Capped exponential backoff with full jitter: U(0, min(cap, base x 2^(failures - 1))), so that boards which lost the
same access point at the same moment do not come back at the same moment.
"""


def ceiling_s(failures, base_s, cap_s):
    """The longest waiting time after `failures` failed slots in a row, in seconds."""
    limit = base_s
    for _ in range(failures - 1):
        limit *= 2
        if limit >= cap_s:
            return cap_s
    return min(limit, cap_s)


def wait_s(failures, base_s, cap_s, random_u32):
    """Seconds to wait after `failures` (at least 1) failed slots in a row; `random_u32` is uniform."""
    return random_u32 % (ceiling_s(failures, base_s, cap_s) + 1)
