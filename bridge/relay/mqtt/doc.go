// Package mqtt drives relay contacts on devices behind an MQTT broker that is there already. The driver speaks MQTT 5;
// devices may speak 3.1.1.
//
// Each contact has a connection of its own, with a will of its own: the close. So the broker closes the contact when
// the daemon dies. Commands have quality of service 1, are never retained, expire after a second (a close after a
// minute), and are never kept for a broker that is away: what could not be said is refused. A device that is silent, or
// away, is the trouble of its own line.
//
// # The contract
//
// For a device that anybody can build, under a prefix of its own; deploy/contract-mqtt.md says more for those who do:
//
//		topic          who     payload, JSON
//		PREFIX/pulse   daemon  {"from":"k3n…","seq":7,"ms":800,"token":"9f0…"}: open the loop for ms milliseconds; 0 (always written) closes it
//		PREFIX/close   daemon  {"from":"k3n…","seq":8}, or anything: close the loop and end the timer. The daemon's will too.
//		PREFIX/read    daemon  {"from":"k3n…","seq":9}: tell the state
//		PREFIX/state   device  retained: {"online":true,"from":"k3n…","seq":7,"result":"done","why":"","open":true,"left_ms":800,"pulses":4,
//		                       "token":"77c…","current":true}. The device's will: {"online":false}
//
//		from, seq      the master's name for one connection of his, and the number of his command on it; the state gives back those of the command that it
//		               answers, so that no answer to another command, or another master, is taken for it
//		result         done; refused: nothing was done; failed: where the contact is, is not known. Why is for people.
//		open, left_ms  where the contact is, as its output tells it, and how long the opening still lasts
//		pulses         openings since the device's start; gone back, it has started anew
//		token          what the next pulse has to show
//		current        loop current flows; missing: no input for it
//
//	 1. The loop is closed after power-up, before the device connects.
//	 2. The device ends each opening by its own timer. Of two openings the later end counts, never the sum; one that is longer than its limit is refused, not
//	    cut.
//	 3. A pulse with from and seq of the latest pulse has no effect and gets the same answer.
//	 4. The device makes a new token every 500 ms and tells it, and takes the one before too; after each pulse that it obeys, and after each close, only a new
//	    one. So a token lives for a second at most, and is good for nothing once a close was confirmed. A pulse with any other is refused. This is what stops a command that a broker, a network or the device itself delivers
//	    late, and it needs no clock that anybody sets.
//	 5. Each command is answered by a state, and each change of the contact or the input is told by one.
//	 6. A command that was retained (RETAIN is set in what arrives) is ignored.
//	 7. A close is obeyed always, whoever it comes from, and whatever its payload is.
//
// With the contract the contact is oneshot. [clearback/bridge/relay/agent/agentmqtt] is such a device,
// testdata/devices.py another one.
//
// # Plain devices
//
// Others have topics and payloads of their own: see [Plain]. They cannot tell an old command from a new one. A broker
// that stood still (stopped, swapped out, a virtual machine that was moved) delivers an opening when it wakes: seconds
// later, since its time to live begins only when the broker reads it. So they need the user's consent in words, and
// count as none, even where the device times its openings. Their state topic should be retained, or be told after each
// command; a close of a contact whose state is closed already needs no new word of it. Without a state topic nothing is
// read back, and that the broker gave the command to somebody has to do.
//
// # When something dies
//
//	the daemon             the broker publishes the will at once: the loop closes (measured on one machine: 2 ms)
//	its machine, its link  the same when the broker gives up: after one and a half keep-alives, and up to 5 s more with mosquitto 2.0, which looks
//	                       no more often (measured with a keep-alive of 1 s: 4.8 s); before that the device's own timer ends the opening
//	the broker             what is under way is ended by the device's own timer. A plain device that does not time stays open until the broker is
//	                       back: then the daemon closes first
//	the device             as its output falls. Its will tells that it is away; nothing is sent to it, and the close is repeated until it answers
//	a frozen broker        the outcome is unknown after the time-out; the contract refuses what is delivered late, a plain device obeys it, and
//	                       the close that follows ends it
//
// # Wiring
//
// Use a normally-closed contact, in series with the loop, and have the device energise the relay to open: then a device
// without power, in reset, or with its program gone leaves the loop closed. The output must not move while the device
// boots: choose a pin without a pull or a pulse at start, or let a resistor hold the driver stage off. The contact has
// to be rated for ringing voltage (about 90 V AC on top of the feed) and isolated from the device's supply and network.
// A device on wireless should have its own timer: the link is then no part of the opening's length. Devices and broker
// belong on a network that strangers do not reach, with an account of its own that may write to these topics and nobody
// else. SAFETY.md goes before all of this.
//
// Not tested here, since it needs hardware: a real device's boot, its output and its input.
package mqtt
