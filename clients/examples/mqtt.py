#!/usr/bin/python3
"""mqtt.py [HOST[:PORT]]: everything the bench says, to an MQTT broker, under the bench's own topics with `poise/` in front.

    poise/reading/pier/left-scale   each indication, as the bench's JSON
    poise/event/pier/stage          and every other event
    poise/state/pier                the picture of the bench; kept by the broker, so that a late listener has it at once

Needs python3-zmq and python3-paho-mqtt; POISE_BUS names another bench than the system's.  One way only: nobody gives the
bench orders through the broker, which knows nothing of the bench's group.
"""
import os
import signal
import sys

import paho.mqtt.client as mqtt
import zmq


def main():
    if len(sys.argv) > 2 or sys.argv[1:2] == ["--help"]:
        print(__doc__, file=sys.stderr)
        return 2
    host, _, port = (sys.argv[1] if len(sys.argv) > 1 else "localhost").partition(":")
    signal.signal(signal.SIGTERM, lambda *unused: sys.exit(0))
    broker = mqtt.Client()
    broker.connect(host, int(port or 1883))
    broker.loop_start()
    bus = zmq.Context().socket(zmq.SUB)
    bus.connect(os.environ.get("POISE_BUS", "ipc:///run/poise/bus"))
    bus.subscribe("")
    while True:
        topic, text = bus.recv_multipart()
        state = topic.startswith(b"state/")
        # a reading that is late is of no use; an event must not be lost
        broker.publish("poise/" + topic.decode(), text, qos=0 if topic.startswith(b"reading/") else 1, retain=state)


if __name__ == "__main__":
    sys.exit(main())
