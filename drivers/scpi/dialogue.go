package scpi

import (
	"bytes"
	"fmt"
	"strings"
	"time"

	"nightsoak/drivers"
)

const (
	quiet       = 50 * time.Millisecond // no byte for so long: nothing is on its way
	longestLine = 4096                  // bytes
)

// A kind of question, by what can be the answer to it.
type kind uint8

const (
	anything kind = iota // the first line that comes
	words                // identity or function: neither a figure nor an error
	fault                // error number and text
	figures              // neither identity nor error
)

// query sends one question and takes one line. The answer to an earlier
// question that was given up, by this meter or another on the port, may still
// come: a line that cannot be the answer to this one is passed over.
func (a *asker) query(c drivers.Conn, question string, k kind) (string, error) {
	a.rest = a.rest[:0]
	if err := drain(c, 0); err != nil { // what came before the question does not answer it
		return "", err
	}
	if err := send(c, question); err != nil {
		return "", err
	}
	deadline := time.Now().Add(a.timeout)
	for {
		line, err := a.readLine(c, question, deadline)
		if err != nil || a.mayAnswer(line, question, k) {
			return line, err
		}
	}
}

func (a *asker) mayAnswer(line, question string, k kind) bool {
	_, isEntry := parseEntry(line)
	isEntry = isEntry && strings.Contains(line, ",") // else it may be a figure
	isIdentity := line != "" && line == a.identity && question != whoQuestion
	switch k {
	case words:
		return !isEntry && !isIdentity && !isFigure(line)
	case fault:
		return isEntry || !isIdentity && !isFigure(line)
	case figures:
		return !isEntry && !isIdentity
	}
	return true
}

// readLine takes the next line, without its end and the space around it.
func (a *asker) readLine(c drivers.Conn, question string, deadline time.Time) (string, error) {
	var buf [256]byte
	for {
		end, next := lineEnd(a.rest)
		if next > 0 && next <= len(a.rest) {
			return a.take(end, next), nil
		}
		if len(a.rest) > longestLine {
			return "", badReply("answer to %s does not end within %d bytes; check the line settings", question, longestLine)
		}
		left := time.Until(deadline)
		if next > 0 {
			left = quiet // for the LF behind a CR
		}
		if left <= 0 {
			a.owed = true
			return "", &drivers.Reply{Reason: drivers.NoReply, Err: fmt.Errorf(
				"no line in answer to %s within %v, but %d bytes %.60q: check that the meter is on and its line settings",
				question, a.timeout, len(a.rest), a.rest)}
		}
		if err := c.SetReadTimeout(left); err != nil {
			return "", fmt.Errorf("set the read timeout: %w", err)
		}
		n, err := c.Read(buf[:])
		if err != nil {
			return "", fmt.Errorf("read the answer to %s: %w", question, err)
		}
		a.rest = append(a.rest, buf[:n]...)
		if n == 0 && next > 0 {
			return a.take(end, len(a.rest)), nil
		}
	}
}

// lineEnd finds where the first line in b ends, by LF, CR LF or CR, and where
// the next one begins: 0 if it does not end, beyond b if that depends on the
// byte to come.
func lineEnd(b []byte) (end, next int) {
	end = bytes.IndexAny(b, "\r\n")
	switch {
	case end < 0:
		return 0, 0
	case b[end] == '\n':
		return end, end + 1
	case end+1 < len(b) && b[end+1] != '\n':
		return end, end + 1
	}
	return end, end + 2
}

// take cuts the first line off what was read.
func (a *asker) take(end, next int) string {
	line := string(bytes.TrimSpace(a.rest[:end]))
	a.rest = append(a.rest[:0], a.rest[next:]...)
	return line
}

// settle throws away what is still on its way: until the line is quiet for 50 ms,
// or for the timeout if an answer is owed.
func (a *asker) settle(c drivers.Conn) error {
	if a.owed {
		return drain(c, a.timeout)
	}
	return drain(c, quiet)
}

// drain throws away what comes until nothing does for so long.
func drain(c drivers.Conn, silence time.Duration) error {
	talk, err := drivers.Drain(c, silence)
	if talk != nil {
		err = badReply("the meter talks without being asked, last %q: switch its continuous output off, or use another format", talk)
	}
	return err
}

func send(c drivers.Conn, line string) error {
	if _, err := c.Write([]byte(line + "\n")); err != nil {
		return fmt.Errorf("send %s: %w", line, err)
	}
	return nil
}

func badReply(format string, args ...any) error {
	return &drivers.Reply{Reason: drivers.BadReply, Err: fmt.Errorf(format, args...)}
}
