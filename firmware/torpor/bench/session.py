"""A session with the broker, one step at a time. Law: each step that fails is named, and no reading is sent.

One message goes to torpor/<node>/bringup, not retained, which nobody has to listen to. The client id is the node's.
"""

import json
from binascii import hexlify

from .. import mqtt
from ..errors import LinkError
from .report import said

STEP_MS_MAX = 10000
RECEIVES_MAX = 200
REFUSALS = {
    1: "it does not speak MQTT 3.1.1",
    2: "it does not take this client id",
    3: "it says that it is not available",
    4: "user or password is wrong",
    5: "user or password is missing, or not allowed",
}


class Trouble(Exception):
    """args: fault, what was seen, what to do."""


def check(report, ports, settings, ssid, timed):
    """One item: the broker as reached over one network. True when it took a message.

    timed: the board knows the time, without which it can check no certificate.
    """
    item = f"broker over {ssid}"
    report.now(item)
    begun_ms = ports.clock.ticks_ms()
    try:
        tls = _talk(ports, settings, report)
    except Trouble as trouble:
        fault, seen, do = trouble.args
        if fault == "tls-refused" and not timed:
            fault, do = "tls-untimed", "the board has no time, and can check no certificate: mend time first"
        report.fail(item, fault, seen, "", do)
        return False
    took_ms = ports.clock.elapsed_ms(begun_ms)
    report.numbers[item] = {"ms": took_ms}
    report.passed(item, f"took a message in {took_ms} ms, {tls}", f"{settings['broker']['session_s_max']} s")
    return True


def _talk(ports, settings, report):
    broker = settings["broker"]
    stream = _open(ports, broker)
    try:
        parser = mqtt.Session(1024)
        client_id = broker["client_id"] or "torpor" + hexlify(ports.eui).decode()
        hello = mqtt.connect(client_id, broker["keepalive_s"], broker["username"], broker["password"])
        code = _ask(ports, stream, parser, hello, mqtt.CONNACK, "broker-mute", "broker-closes", "CONNECT")[1]
        if code:
            do = "username and password of [broker], and what the broker allows this user"
            raise Trouble("broker-refuses", f"refused with code {code}: {REFUSALS.get(code, 'unknown')}", do)
        payload = json.dumps({"bringup": 1, "failed": report.failed}).encode()
        message = mqtt.publish(f"torpor/{settings['node']}/bringup".encode(), payload, 1)
        _ask(ports, stream, parser, message, mqtt.PUBACK, "broker-mute", "broker-drops", "a message")
        _send(ports, stream, mqtt.disconnect())
    finally:
        try:
            stream.close()
        except (OSError, LinkError):
            pass
    return "certificate and name checked" if broker["tls"] else "NOT encrypted"


def _open(ports, broker):
    ports.power.feed_watchdog()
    try:
        address = ports.network.resolve(broker["host"], STEP_MS_MAX)
    except LinkError as error:
        do = "the line behind the access point is dead, or its name server; a captive page; the spelling of host"
        raise Trouble("network-dead-end", f"no address for {broker['host']}: {_detail(error)}", do)
    tls = {"host": broker["host"], "ca": broker["ca"]} if broker["tls"] else None
    ports.power.feed_watchdog()
    try:
        return ports.network.open_stream(address, broker["port"], tls, STEP_MS_MAX)
    except LinkError as error:
        if error.step == "tls":
            do = "the board's clock; the CA file; the name in the certificate; or it has expired"
            raise Trouble("tls-refused", "its certificate is refused: " + _detail(error), do)
        do = f"nobody listens at {address} port {broker['port']}: broker down, a wrong port, or a firewall"
        raise Trouble("broker-down", "no connection: " + _detail(error), do)
    except Exception as error:
        raise Trouble("broker-down", said(error), "the board could not open a connection")


def _detail(error):
    return str(error.args[1]) if len(error.args) > 1 and error.args[1] else "failed"


def _send(ports, stream, data):
    view = memoryview(data)
    while view:
        view = view[stream.send(view, STEP_MS_MAX) :]


def _ask(ports, stream, parser, data, wanted, mute, closes, what):
    """Send, and wait for the event `wanted`; Trouble where it does not come."""
    clock = ports.clock
    do = "the broker's own log says why; many nodes with one client id push each other out"
    buffer = bytearray(256)
    begun_ms = clock.ticks_ms()
    ports.power.feed_watchdog()
    try:
        _send(ports, stream, data)
        for _ in range(RECEIVES_MAX):
            left_ms = STEP_MS_MAX - clock.elapsed_ms(begun_ms)
            if left_ms <= 0:
                break
            count = stream.recv_into(buffer, left_ms)
            if not count:
                raise Trouble(closes, f"closes instead of answering {what}", do)
            event = _event(parser, memoryview(buffer)[:count], wanted)
            if event is not None:
                return event
    except LinkError as error:
        if clock.elapsed_ms(begun_ms) < STEP_MS_MAX - 100 and _detail(error) != "timeout":
            raise Trouble(closes, f"breaks off instead of answering {what}: {_detail(error)}", do)
    raise Trouble(mute, f"says nothing to {what}", "it takes connections and hangs: restart it, look at its disk")


def _event(parser, view, wanted):
    found = None
    while view:
        view = view[parser.receive(view) :]
        event = parser.next_event()
        while event is not None:
            if event[0] == mqtt.BROKEN:
                raise Trouble("broker-strange", "what answers is no MQTT broker", "host and port of [broker]")
            if event[0] == wanted and found is None:
                found = event
            event = parser.next_event()
    return found
