package notify

import (
	"io"
	"mime"
	"mime/quotedprintable"
	netmail "net/mail"
	"strings"
	"testing"
	"time"

	"nightsoak/acquire/bench"
	"nightsoak/alarms"
)

// decodeBody undoes the transfer encoding with the standard library.
func decodeBody(m *netmail.Message) (string, error) {
	r := m.Body
	if strings.EqualFold(m.Header.Get("Content-Transfer-Encoding"), "quoted-printable") {
		r = quotedprintable.NewReader(r)
	}
	b, err := io.ReadAll(r)
	return strings.ReplaceAll(string(b), "\r\n", "\n"), err
}

// testMessage is one of a kind that needs encoding.
func testMessage(again bool) *message {
	return &message{ID: "R-1187-1:7:mail", Again: again, Bench: "Nordlicht-Ω", Items: []item{{Kind: raised, Run: "R-1187-1", Ticket: "R-1187", Seq: 7,
		At:    time.Date(2026, 3, 4, 23, 0, 3, 0, time.UTC),
		Event: alarms.Event{Alarm: "sense-open", Subject: "V7", Priority: alarms.High, Text: "V7: more than any tube passes through 1 Ω", Advice: "Switch off."}}}}
}

// Mail as a real SMTP server gets it, read back with the standard library.
func TestMail(t *testing.T) {
	time.Local = time.UTC
	s, addr := startMail(t)
	m, err := parse(mailURL(addr), bench.Secret{}, false)
	if err != nil {
		t.Fatal(err)
	}
	for _, again := range []bool{false, true} {
		if err := m.send(t.Context(), testMessage(again)); err != nil {
			t.Fatal(err)
		}
	}
	for i, raw := range s.raw {
		msg, err := netmail.ReadMessage(strings.NewReader(raw))
		if err != nil {
			t.Fatal(err)
		}
		subject, err := new(mime.WordDecoder).DecodeHeader(msg.Header.Get("Subject"))
		want := testMessage(i == 1)
		if err != nil || subject != want.title() {
			t.Errorf("subject %q, %v; want %q", subject, err, want.title())
		}
		if body, err := decodeBody(msg); err != nil || strings.TrimSpace(body) != strings.TrimSpace(want.text(0)) {
			t.Errorf("body, %v:\n%q\nwant\n%q", err, body, want.text(0))
		}
		if id := msg.Header.Get("Message-ID"); id != "<R-1187-1_7_mail@mail.example>" {
			t.Errorf("Message-ID %s", id)
		}
		if ct, _, _ := mime.ParseMediaType(msg.Header.Get("Content-Type")); ct != "text/plain" {
			t.Errorf("Content-Type %q", ct)
		}
		if a := msg.Header.Get("X-Nightsoak-Again"); (a == "yes") != (i == 1) {
			t.Errorf("mark of a repeated message: %q", a)
		}
		if _, err := msg.Header.Date(); err != nil {
			t.Error(err)
		}
	}
	if len(s.raw) != 2 {
		t.Errorf("%d arrived", len(s.raw))
	}
}
