// Package broker is rearguard's link to an MQTT broker: it keeps a connection
// up, hands on what the broker delivers, and acknowledges a message only when
// its receiver says that the message is safely stored.
//
// # What bounds the messages in flight
//
// The link subscribes at QoS 1 in a persistent session and acknowledges by
// hand. A broker has at most max_inflight_messages (mosquitto's name; 20 by
// default) QoS 1 messages outstanding with a client and queues the rest, so
// the broker itself bounds what waits between the socket and the commit.
// Config.Buffer is larger than that, so the channel of messages is not
// normally full and the receive loop is free to read ping responses. Where it
// does fill (QoS 0 is not bounded by the broker), the link counts a stall and
// stops reading instead of losing anything: TCP holds the broker back. If the
// stall outlasts the keep-alive the connection is given up and made again, and
// the broker redelivers what was not acknowledged.
//
// # What the receiver must expect
//
// Delivery is at least once. After a reconnect the broker sends again what was
// not acknowledged, and it repeats retained messages at each subscription, so
// storing a message twice must change nothing.
package broker
