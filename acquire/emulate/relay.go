package emulate

import (
	"bytes"
	"errors"
	"fmt"
	"os"
)

// What the emulated relay board understands and answers. It holds nothing by
// repetition: once told, it has dropped and stays so.
const (
	relayDrop    = "DROP"
	relayDropped = "DROPPED"
)

// relayBoard is a relay board on a pseudo-terminal.
type relayBoard struct {
	path string // symbolic link to the terminal
	port *terminal
}

// Relay is an emulated relay board in the amplifier's mains, on a pseudo-terminal.
type Relay struct {
	board relayBoard
	ended chan struct{}
}

// NewRelay plugs in a board at path, a symbolic link that it makes; told to drop,
// it switches amp off. It fails where there are no pseudo-terminals or path
// cannot be made.
func NewRelay(amp *Amp, path string) (*Relay, error) {
	port, err := openTerminal()
	if err != nil {
		return nil, fmt.Errorf("relay board: %w", err)
	}
	if err := os.Symlink(port.name, path); err != nil {
		return nil, errors.Join(fmt.Errorf("relay board: link its port: %w", err), port.close())
	}
	r := &Relay{relayBoard{path, port}, make(chan struct{})}
	go func() {
		defer close(r.ended)
		r.board.obey(amp.Off)
	}()
	return r, nil
}

// Close unplugs the board: its port is gone, and so is the path. What it has
// dropped stays dropped.
func (r *Relay) Close() error {
	err := errors.Join(os.Remove(r.board.path), r.board.port.close())
	<-r.ended
	return err
}

// CutoffTOML is the demo's [cutoff], which drives the board.
func (r *Relay) CutoffTOML() string {
	return fmt.Sprintf(`
# The relay board that holds the amplifier's mains. It drops at the limit, not at
# the warning of a runaway, so that the demo shows both.
[cutoff]
by = "bytes"
port = %s
drop = %s
reply = %s
when = ["over-dissipation", "sense-open"]
prove_within = "60s"
`, quote(r.board.path), quote(relayDrop+`\r`), quote(relayDropped+`\r`))
}

// obey drops whenever it is told, and answers, until it is unplugged.
func (b *relayBoard) obey(drop func()) {
	var heard []byte
	var buf [64]byte
	for {
		n, err := b.port.read(buf[:])
		if err != nil {
			return // unplugged
		}
		heard = append(heard, buf[:n]...)
		for {
			line, rest, ok := bytes.Cut(heard, []byte("\r"))
			if !ok {
				break
			}
			if heard = rest; string(line) == relayDrop {
				drop()
				b.port.write([]byte(relayDropped + "\r"))
			}
		}
		heard = heard[max(0, len(heard)-len(buf)):]
	}
}
