//go:build linux

package figures

import (
	"crypto/tls"
	"crypto/x509"
	"fmt"
	"net"
	"net/smtp"
	"os"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// helpRefused makes an emergency call that the service refuses (486), and returns the instant of that.
func (h *testBed) helpRefused(line int) time.Time {
	h.t.Helper()
	began := time.Now()
	return began.Add(h.emergencyCall(line))
}

// await returns the next alarm that was acknowledged.
func (b *inbox) await(t testing.TB) notice {
	t.Helper()
	select {
	case n := <-b.arrived:
		return n
	case <-time.After(testTimeout):
		t.Fatal("no alarm was acknowledged in time")
		return notice{}
	}
}

// bareMail delivers a mail with the standard library's client, by a new connection, and returns how long it took until
// the server had acknowledged it.
func (w *ways) bareMail(t testing.TB, n int, size int) time.Duration {
	t.Helper()
	pem, err := os.ReadFile(w.ca)
	require.NoError(t, err)
	roots := x509.NewCertPool()
	require.True(t, roots.AppendCertsFromPEM(pem))
	const host = "example.com" // of the certificate
	began := time.Now()
	conn, err := net.Dial("tcp", w.mail.Addr().String())
	require.NoError(t, err)
	c, err := smtp.NewClient(conn, host)
	require.NoError(t, err)
	defer c.Close()
	require.NoError(t, c.StartTLS(&tls.Config{RootCAs: roots, ServerName: host}))
	require.NoError(t, c.Auth(smtp.PlainAuth("", mailUser, mailPassword, host)))
	require.NoError(t, c.Mail("clearback@millrace.example"))
	require.NoError(t, c.Rcpt("manager@millrace.example"))
	out, err := c.Data()
	require.NoError(t, err)
	line := strings.Repeat("x", 70) + "\r\n"
	_, err = fmt.Fprintf(out, "Subject: bare\r\nMessage-ID: <bare-%d@millrace.example>\r\n\r\n%s", n,
		strings.Repeat(line, size/len(line)))
	require.NoError(t, err)
	require.NoError(t, out.Close())
	return w.mail.await(t).at.Sub(began)
}

// TestAlarmMail measures the time from the arrival of an emergency call at the service, which refuses it at once (486),
// until the mail server has written its 250 after the text of the mail. The mail goes by STARTTLS, with authentication.
// Webhook, MQTT and program get the same alarms. Beside it: a delivery by another client, in turn. Limit: 1 s at p99.
//
// Only urgent alarms go at once. An ordinary one waits 10 s for others (package alarm, gather).
func TestAlarmMail(t *testing.T) {
	skipUnlessFigures(t)
	const lines = 50 // each may have six such alarms an hour
	w := newWays(t)
	h := newTestBedOf(t, testBedSetup{lines: lines, journal: true, metrics: true, more: w.file()})
	watch := newWatch(t, h.pid())
	var ours, bares samples
	for n := range count(6*lines, 40) {
		pause()
		at := h.helpRefused(n % lines)
		n1 := w.mail.await(t)
		ours = append(ours, n1.at.Sub(at))
		require.Contains(t, n1.text, fmt.Sprintf("seat-%d:", n%lines))
		require.Contains(t, n1.text, "emergency call")
		pause()
		bares = append(bares, w.bareMail(t, n, len(n1.text)))
	}
	t.Logf("emergency call refused to mail accepted  %v", ours)
	t.Logf("bare delivery                            %v", bares)
	v := watch.verdict()
	for _, percent := range []int{50, 99} {
		v.add(figure{name: fmt.Sprintf("emergency call refused to mail accepted, p%d", percent),
			value: ms(ours.quantile(percent)), unit: "ms",
			baseline: baseline{"bare delivery", ms(bares.quantile(percent))}, bound: atMost(1000), always: true})
	}
}

// TestHangingWays measures the time from the far end's BYE to the open command while every way hangs, and alarms wait
// for each, beside a daemon without ways, call by call in turn. Limit: 1.05 times at p50. The daemon ends an attempt
// after 10 s (MQTT) or 30 s, and pauses before the next one.
func TestHangingWays(t *testing.T) {
	skipUnlessFigures(t)
	const (
		lines = 41
		help  = lines - 1 // the line of the emergency calls; it has no other
	)
	w := hangingWays(t)
	var beds [2]*testBed
	for i, more := range []string{"", w.file()} {
		beds[i] = newTestBedOf(t, testBedSetup{lines: lines, journal: true, more: more})
		beds[i].callsUp(help)
		beds[i].helpRefused(help)
	}
	w.awaitHang(t)
	watch := newWatch(t, beds[0].pid(), beds[1].pid())
	byes := clearInTurn(beds, help, func(n int, h *testBed) {
		if n%200 == 100 {
			h.helpRefused(help)
		}
	})
	v := watch.verdict()
	t.Logf("BYE to open command: no ways %v; every way hangs %v", byes[0], byes[1])
	t.Logf("attempts: %v", w.attempts(t))
	v.add(figure{name: "BYE to open command, every way of the alarms hangs, p50", value: ms(byes[1].quantile(50)),
		unit: "ms", baseline: baseline{"no ways", ms(byes[0].quantile(50))}, bound: atMostTimes(1.05)})
}

// attempts counts the attempts by each way.
func (w *ways) attempts(t testing.TB) map[string]int {
	runs, err := os.ReadFile(w.programRuns)
	if !os.IsNotExist(err) {
		require.NoError(t, err)
	}
	return map[string]int{wayMail: w.mail.attempts(), wayWebhook: w.web.attempts(), wayMQTT: w.brokers.attempts(),
		wayProgram: strings.Count(string(runs), "\n")}
}

// awaitHang waits until each way hangs in an attempt.
func (w *ways) awaitHang(t testing.TB) {
	t.Helper()
	every := time.NewTicker(5 * time.Millisecond)
	defer every.Stop()
	for limit := time.After(testTimeout); ; {
		hanging := 0
		for _, n := range w.attempts(t) {
			hanging += min(n, 1)
		}
		if hanging == 4 {
			return
		}
		select {
		case <-every.C:
		case <-limit:
			t.Fatalf("not every way was tried: %v", w.attempts(t))
		}
	}
}

// TestMemoryOfAll measures the memory of a daemon with everything on: a journal, the four ways of the alarms, each of
// which has carried some, and the metrics, scraped every second. Limits: 31 MB with 4 idle lines; 50 MB with 100 lines
// relaying media, some of which clear. The aim for 4 lines is 25 MB, and is not reached: the program's code alone has
// 22 MB, which the kernel maps nearly as a whole.
func TestMemoryOfAll(t *testing.T) {
	skipUnlessFigures(t)
	for _, lines := range []int{4, 100} {
		w := newWays(t)
		h := newTestBedOf(t, testBedSetup{lines: lines, media: lines > 4, journal: true, metrics: true, more: w.file()})
		for line := range 3 {
			h.helpRefused(line)
			w.mail.await(t)
			w.webhook.await(t)
		}
		clears := func() {}
		name, most := "resident memory, 4 idle lines, alarms and scrapes", 31.0
		if lines > 4 {
			name, most = "resident memory, 100 lines relaying, alarms and scrapes", 50
			h.callsUp(lines)
			next := 3 // not in a call-back window
			clears = func() {
				h.clear(next)
				h.x.call(next)
				h.lineUp()
				next = 3 + (next-2)%(lines-3)
			}
		}
		high := h.highestMemory(time.Duration(count(20, 5))*time.Second, clears)
		v := &verdict{t: t, table: &results}
		v.add(figure{name: name, value: high, unit: "MB", bound: atMost(most), always: true})
		t.Logf("%d lines: %s", lines, sizes(t, h))
	}
}

// highestMemory returns the highest resident memory within a time, in which the daemon is scraped every second. It
// calls f ten times a second.
func (h *testBed) highestMemory(length time.Duration, f func()) (high float64) {
	h.t.Helper()
	ended := make(chan struct{}) // closed when the time is over
	var scraping sync.WaitGroup
	scraping.Go(func() {
		every := time.NewTicker(time.Second)
		defer every.Stop()
		for {
			h.scrape()
			select {
			case <-ended:
				return
			case <-every.C:
			}
		}
	})
	every := time.NewTicker(100 * time.Millisecond)
	defer every.Stop()
	for over := time.After(length); ; {
		select {
		case <-every.C:
			f()
			high = max(high, memory(h.t, h.pid(), "VmRSS"))
		case <-over:
			close(ended)
			scraping.Wait()
			return high
		}
	}
}
