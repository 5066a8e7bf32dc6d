"""Ending an MQTT client of a test for good."""

from paho.mqtt.client import Client


def leave(client: Client) -> None:
    """Disconnect, end the client's thread, and part it from who listened to it.

    The library closes the loopback sockets of that thread only as the client itself goes. In a ring
    of references the garbage collector may find the sockets first, in whatever test runs then.
    """
    client.disconnect()
    client.loop_stop()
    client.on_connect = client.on_message = client.on_subscribe = None
    client.on_publish = client.on_socket_open = None
