// Package mqtt drives relay contacts on devices behind an existing MQTT broker. The driver uses MQTT 5; devices may use
// 3.1.1.
//
// Each contact has its own connection, and its own will: the close. The broker therefore closes the contact if the
// daemon dies. Commands have quality of service 1 and are never retained. They expire after a second, a close after a
// minute. They are never queued for a broker that is unreachable; a command that cannot be sent is refused. A device
// that is silent or disconnected affects only its own line.
//
// # The contract
//
// The contract is for devices that anybody can build. Each device has a topic prefix of its own.
// deploy/contract-mqtt.md has more for those who build one.
//
//	topic          sender  payload, JSON
//	PREFIX/pulse   daemon  {"from":"k3n…","seq":7,"ms":800,"token":"9f0…"}: open the loop for ms milliseconds;
//	                       0 (always written) closes it
//	PREFIX/close   daemon  {"from":"k3n…","seq":8}, or anything: close the loop and stop the timer.
//	                       Also the daemon's will.
//	PREFIX/read    daemon  {"from":"k3n…","seq":9}: publish the state
//	PREFIX/state   device  retained: {"online":true,"from":"k3n…","seq":7,"result":"done","why":"","open":true,
//	                       "left_ms":800,"pulses":4,"token":"77c…","current":true}.
//	                       The device's will: {"online":false}
//
//	from, seq      from is the master's name for one of its connections, seq the number of a command on it. The state
//	               returns those of the command that it answers, so that an answer to another command, or to another
//	               master, is not mistaken for it.
//	result         done; refused: nothing was done; failed: the state of the contact is unknown. why is for people.
//	open, left_ms  the state of the contact, as read from its output, and the remaining time of the opening
//	pulses         openings since the device's start; a lower number than before means that it has restarted
//	token          the token for the next pulse
//	current        whether loop current flows; missing if there is no input for it
//
// The rules:
//
//  1. The loop is closed after power-up, before the device connects.
//  2. The device ends each opening by its own timer. Of two openings the later end counts, never the sum. An opening
//     longer than the device's limit is refused, not shortened.
//  3. A pulse with from and seq of the latest pulse has no effect and gets the same answer.
//  4. The device makes and publishes a new token every 500 ms, and accepts the previous one too. After each pulse that
//     it obeys, and after each close, it accepts only a new one. So a token lives for at most a second, and is useless
//     once a close was confirmed. A pulse with any other token is refused. The token stops a command that a broker, a
//     network or the device itself delivers late, and it needs no clock that must be set.
//  5. The device answers each command with a state, and publishes a state after each change of the contact or the
//     input.
//  6. A command that was retained (it arrives with RETAIN set) is ignored.
//  7. A close is always obeyed, whoever sent it and whatever its payload.
//
// With the contract the contact is of kind oneshot. [clearback/bridge/relay/agent/agentmqtt] is such a device, and
// testdata/devices.py is another one.
//
// # Plain devices
//
// Other devices have topics and payloads of their own: see [Plain]. They cannot tell an old command from a new one. A
// broker that stood still (stopped, swapped out, a virtual machine that was moved) delivers an opening when it resumes.
// That can be seconds later, since the command's expiry counts only from when the broker reads it. Plain devices
// therefore need the user's explicit consent, and count as kind none even if the device times its openings. Their state
// topic should be retained, or published after each command. A close needs no new message there if the state is closed
// already. Without a state topic nothing is read back, and the only confirmation is that the broker delivered the
// command to a subscriber. In both cases a close may be confirmed before the device has carried it out. A device that
// carries out its messages in order does so before a later opening.
//
// # When something dies
//
//	the daemon             the broker publishes the will at once, and the loop closes (measured on one machine: 2 ms)
//	its machine, its link  the same once the broker gives up: after one and a half keep-alives, and up to 5 s later
//	                       with mosquitto 2.0, which checks no more often (measured with a keep-alive of 1 s:
//	                       4.8 s); before that the device's own timer ends the opening
//	the broker             the device's own timer ends an opening under way. A plain device without a timer stays open
//	                       until the broker is back; the daemon then closes first
//	the device             depends on its output. Its will reports that it is away; nothing is sent to it, and the
//	                       close is repeated until it answers
//	a frozen broker        the outcome is unknown after the time-out. A device with the contract refuses what is
//	                       delivered late. A plain device obeys it, until the close that follows
//
// # Wiring
//
// Use a normally closed contact in series with the loop, and let the device energise the relay to open it. Then the
// loop is closed if the device has no power, is in reset or has lost its program. The output must not move while the
// device boots. Choose a pin without a pull resistor or a pulse at the start, or hold the driver stage off with a
// resistor. The contact must be rated for the ringing voltage (about 90 V AC on top of the feed) and isolated from the
// device's supply and network. A device on wireless should have its own timer, so that the link does not affect the
// length of an opening. Devices and broker belong on a network that strangers cannot reach. Give them an account of
// their own, and let no other account write to these topics. Read SAFETY.md first.
//
// Not tested here, since it needs hardware: a real device's boot, output and input.
package mqtt
