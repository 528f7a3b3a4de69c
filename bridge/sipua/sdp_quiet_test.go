package sipua

import "testing"

// pauses reads from a description whether a side may send nothing during silence.
func TestSilenceSuppressionInSDP(t *testing.T) {
	t.Parallel()
	for m, want := range map[string]bool{
		"0 8 101":                      false,
		"0 13":                         true,
		"0 97\r\na=rtpmap:97 CN/16000": true,
		"18":                           true,
		"18\r\na=fmtp:18 annexb=no":    false,
		"18\r\na=fmtp:18 annexb=no\r\na=ptime:20": false,
		"97\r\na=rtpmap:97 CN/8000\r\na=ptime:20": true,
		"18\r\nk=fmtp:18 annexb=no":               true,
		"97\r\nk=rtpmap:97 CN/8000":               false,
		"4":                                       true,
		"19":                                      true,
		"18\r\na=fmtp:18 annexb=yes":              true,
		"4\r\na=fmtp:4 bitrate=6.3;annexa=no":     false,
		"96\r\na=rtpmap:96 opus/48000/2":          false,
		"18\r\na=fmtp:18 AnnexB = No":             false,
		"97\r\na=rtpmap:97  CN/8000":              true,
		"18\r\na=rtpmap:18 PCMU/8000":             false,
		"96\r\na=rtpmap:96 opus/48000/2\r\na=fmtp:96 useinbandfec=1; usedtx=1": true,
	} {
		if got := pauses([]byte("v=0\r\nc=IN IP4 192.0.2.1\r\nm=audio 4000 RTP/AVP " + m + "\r\n")); got != want {
			t.Errorf("%q: %t", m, got)
		}
	}
	for _, m := range []string{"image 4000 udptl t38", "video 4000 RTP/AVP 13", "audio 0 RTP/AVP 13"} {
		if pauses([]byte("v=0\r\nm=" + m + "\r\n")) {
			t.Error(m)
		}
	}
}

// Sound is expected, and silence may be a pause, only if the descriptions of both sides say so.
func TestDescriptionsOfBothSides(t *testing.T) {
	t.Parallel()
	const head = "v=0\r\nc=IN IP4 192.0.2.1\r\nm=audio 4000 RTP/AVP "
	for _, first := range []string{"0", "13", "0\r\na=sendonly"} {
		for _, second := range []string{"0", "13", "0\r\na=sendonly"} {
			var p mediaPath
			p.sentDescriptions[0].body, p.sentDescriptions[1].body = []byte(head+first+"\r\n"), []byte(head+second+"\r\n")
			const hold = "0\r\na=sendonly"
			if got, want := p.expectsSound(), first != hold && second != hold; got != want {
				t.Errorf("%q %q: sound expected: %t", first, second, got)
			}
			if got, want := p.mayPause(), first == "13" && second == "13"; got != want {
				t.Errorf("%q %q: may pause: %t", first, second, got)
			}
		}
	}
}

// bothWays reads from a description whether sound flows in both directions, and whether the call is on hold (RFC 3264
// section 8.4).
func TestSoundBothWays(t *testing.T) {
	t.Parallel()
	for text, want := range map[string]bool{
		"c=IN IP4 192.0.2.1\r\nm=audio 4000 RTP/AVP 0":                                                       true,
		"c=IN IP4 192.0.2.1\r\nm=audio 4000 RTP/AVP 0\r\na=sendrecv":                                         true,
		"c=IN IP4 192.0.2.1\r\nm=audio 4000 RTP/AVP 0\r\na=sendonly":                                         false,
		"c=IN IP4 192.0.2.1\r\nm=audio 4000 RTP/AVP 0\r\na=recvonly":                                         false,
		"c=IN IP4 192.0.2.1\r\na=inactive\r\nm=audio 4000 RTP/AVP 0":                                         false,
		"c=IN IP4 0.0.0.0\r\nm=audio 4000 RTP/AVP 0":                                                         false,
		"c=IN IP4 192.0.2.1\r\nm=audio 0 RTP/AVP 0":                                                          false,
		"c=IN IP4 192.0.2.1\r\nm=video 4000 RTP/AVP 96":                                                      false,
		"m=audio 4000 RTP/AVP 0":                                                                             false,
		"c=IN IP4 192.0.2.1\r\nm=audio 0 RTP/AVP 0\r\nm=audio 4002 RTP/AVP 0":                                true,
		"c=IN IP4 192.0.2.1\r\nm=audio 4000 RTP/AVP 0\r\na=sendonly\r\nm=audio 4002 RTP/AVP 0\r\na=sendrecv": true,
	} {
		if got := bothWays([]byte("v=0\r\n" + text + "\r\n")); got != want {
			t.Errorf("%q: %t", text, got)
		}
	}
	for _, none := range []string{"", "garbage"} {
		if bothWays([]byte(none)) || !pauses([]byte(none)) {
			t.Errorf("%q: want no sound in both directions, and pauses", none)
		}
	}
}
