"""MQTT topic filters.

Law: a filter matches a topic name exactly where MQTT 3.1.1 section 4.7 says so.
"""


def matches(topic_filter: str, topic: str) -> bool:
    """Whether a valid filter matches a topic name (section 4.7). A wildcard in front does not match topics
    that begin with $ [MQTT-4.7.2-1]; "a/#" matches "a" as well."""
    if topic[0] == "$" and topic_filter[0] in "+#":
        return False
    levels = topic.split("/")
    wanted = topic_filter.split("/")
    for at, level in enumerate(wanted):
        if level == "#":
            return True
        if at >= len(levels) or level not in ("+", levels[at]):
            return False
    return len(levels) == len(wanted)
