"""The collector's session with the broker. Law: a message is acknowledged by acknowledge(), and by nothing else.

One thread does everything: bytes are read only when somebody gathers, so what is not stored yet stays with the broker
and memory stays small. A connection that broke is not mended: what was not acknowledged comes again in a new session,
under numbers that mean nothing to the old one.
"""

import ssl
import time
from dataclasses import dataclass

import paho.mqtt.client as paho

CONNECT_S = 10.0
KEEPALIVE_S = 60
BATCH_MAX = 500
# a batch is closed when nothing has come for so long, or so long after its first message
QUIET_S = 0.002
BATCH_S = 0.25
TOPICS = ("torpor/+/readings", "torpor/+/health")
REFUSALS = {4: "it refuses the user or the password", 5: "it does not let this user in"}


class BrokerAway(Exception):
    """The broker is not there (any more); str() is one line."""


@dataclass(frozen=True)
class Account:
    """How to reach the broker. trust: for TLS, None: without; group: of a shared subscription."""

    host: str
    port: int
    client_id: str
    trust: ssl.SSLContext | None = None
    username: str | None = None
    password: str | None = None
    group: str | None = None


class Session:
    """A connection with a subscription that the broker keeps (CleanSession 0). Raises BrokerAway from every call."""

    def __init__(self, account: Account):
        self.fresh = True  # the broker knew nothing of us: it may have been restarted without its memory
        self._arrived: list[paho.MQTTMessage] = []
        self._problem: str | None = None
        self._connected = self._subscribed = False
        self._account = account
        client = paho.Client(
            paho.CallbackAPIVersion.VERSION2, client_id=account.client_id, clean_session=False, manual_ack=True
        )
        client.connect_timeout = CONNECT_S
        if account.trust is not None:
            client.tls_set_context(account.trust)
        if account.username is not None:
            client.username_pw_set(account.username, account.password)
        client.on_connect = self._on_connect
        client.on_subscribe = self._on_subscribe
        client.on_message = lambda _client, _data, message: self._arrived.append(message)
        self._client = client
        self._open()

    def _on_connect(self, client, _data, flags, code, _properties) -> None:
        if code.is_failure:
            self._problem = REFUSALS.get(_mqtt3_code(code), f"it refuses: {code}")
            return
        self._connected = True
        self.fresh = not flags.session_present
        shared = f"$share/{self._account.group}/" if self._account.group else ""
        client.subscribe([(shared + topic, 1) for topic in TOPICS])

    def _on_subscribe(self, _client, _data, _mid, codes, _properties) -> None:
        if any(code.is_failure for code in codes):
            self._problem = "it refuses the subscription to torpor/+/readings"
        self._subscribed = True

    def _open(self) -> None:
        account = self._account
        try:
            self._client.connect(account.host, account.port, KEEPALIVE_S)
        except ssl.SSLCertVerificationError as error:
            raise BrokerAway(f"its certificate is refused: {error.verify_message}") from None
        except TimeoutError:
            raise BrokerAway(f"no answer within {CONNECT_S:g} s") from None
        except OSError as error:
            raise BrokerAway(error.strerror or str(error)) from None
        except ValueError:  # UnicodeError among them
            raise BrokerAway("no such host name") from None
        limit_s = time.monotonic() + CONNECT_S
        while not self._subscribed:
            if time.monotonic() > limit_s:
                self.close()
                raise BrokerAway(f"no answer within {CONNECT_S:g} s")
            self._turn(0.1)

    def _turn(self, wait_s: float) -> None:
        """Let one round of reading and writing happen."""
        code = self._client.loop(wait_s)
        if self._problem is not None or code != paho.MQTT_ERR_SUCCESS:
            problem = self._problem or "the connection broke"
            self.close()
            raise BrokerAway(problem)

    def _read_on(self) -> None:
        """Take what else has come already, without asking the system each time whether it has."""
        count = -1
        while count != len(self._arrived) < BATCH_MAX:
            count = len(self._arrived)
            if self._client.loop_read() != paho.MQTT_ERR_SUCCESS:
                self.close()
                raise BrokerAway("the connection broke")

    def gather(self, wait_s: float) -> list[paho.MQTTMessage]:
        """The next batch, in the order of arrival; [] when nothing has come within wait_s."""
        arrived = self._arrived
        until_s = time.monotonic() + wait_s
        while not arrived:
            left_s = until_s - time.monotonic()
            if left_s <= 0:
                return []
            self._turn(left_s)
        until_s = time.monotonic() + BATCH_S
        count = 0
        while count != len(arrived) < BATCH_MAX and time.monotonic() < until_s:
            count = len(arrived)
            self._turn(QUIET_S)
            self._read_on()
        self._arrived = []
        return arrived

    def acknowledge(self, messages: list[paho.MQTTMessage]) -> None:
        """Tell the broker that these of gather() are safe."""
        for message in messages:
            if message.qos and self._client.ack(message.mid, message.qos) != paho.MQTT_ERR_SUCCESS:
                self.close()
                raise BrokerAway("the connection broke")

    def publish(self, topic: str, payload: bytes) -> None:
        """A retained message; where it does not arrive, the next session says it again."""
        if self._client.publish(topic, payload, qos=0, retain=True).rc != paho.MQTT_ERR_SUCCESS:
            self.close()
            raise BrokerAway("the connection broke")

    def close(self) -> None:
        """Leave; the broker keeps what is to come."""
        self._client.disconnect()
        for _ in range(10):
            # let the farewell out; ends at once when the socket is gone
            if self._client.loop(0.01) != paho.MQTT_ERR_SUCCESS:
                break


def _mqtt3_code(code) -> int | None:
    """paho tells MQTT 3.1.1's refusals by the names of MQTT 5."""
    return {"Bad user name or password": 4, "Not authorized": 5}.get(str(code))
