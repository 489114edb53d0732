package main

import (
	"errors"
	"fmt"
	"net"
	"time"

	"github.com/coreos/go-systemd/v22/activation"
	sd "github.com/coreos/go-systemd/v22/daemon"
	"github.com/rs/zerolog"
)

// manager is the service manager that started us, if one did: sd_notify(3),
// sd_watchdog_enabled(3), sd_listen_fds(3). Without one everything here does
// nothing.
type manager struct {
	every  time.Duration // between two signs of life; 0: none are wanted
	told   bool          // that we are ready
	last   time.Time     // sign of life; core's
	signs  chan string
	log    zerolog.Logger
	status string
}

// newManager reads what the service manager wants from the environment. It wants
// a sign of life at least every WATCHDOG_USEC, and gets it twice as often.
func newManager(log zerolog.Logger) *manager {
	m := &manager{signs: make(chan string, 1), log: log}
	within, err := sd.SdWatchdogEnabled(false)
	if err != nil {
		log.Warn().Err(err).Msg("the service manager's watchdog is not fed")
	}
	m.every = within / 2
	return m
}

// run sends what judged has said, until stop is closed. A service manager that hangs
// holds this goroutine up and not the core.
func (m *manager) run(stop <-chan struct{}) {
	for {
		select {
		case sign := <-m.signs:
			m.send(sign)
		case <-stop:
			return
		}
	}
}

// judged is called by the core, and by nothing else, behind what it has judged:
// a core that hangs gives no sign of life, whatever else still runs. The first
// time says that we are ready.
func (m *manager) judged(now time.Time) {
	sign := sd.SdNotifyWatchdog
	switch {
	case !m.told:
		sign = sd.SdNotifyReady + "\nSTATUS=" + m.status
	case m.every == 0 || now.Sub(m.last) < m.every:
		return
	}
	select {
	case m.signs <- sign:
		m.told, m.last = true, now
	default: // the last one has not gone out yet
	}
}

// stopping says that we end because we were told to.
func (m *manager) stopping() { m.send(sd.SdNotifyStopping) }

func (m *manager) send(sign string) {
	if _, err := sd.SdNotify(false, sign); err != nil {
		m.log.Warn().Err(err).Msg("the service manager was not told " + sign)
	}
}

// listen is where the panel listens: on the sockets that the service manager
// opened for us, else on addr.
func (m *manager) listen(addr string) ([]net.Listener, error) {
	given, err := activation.Listeners()
	if err != nil {
		return nil, fmt.Errorf("panel: the sockets passed by the service manager: %w", err)
	}
	if len(given) == 0 {
		l, err := net.Listen("tcp", addr)
		if err != nil {
			return nil, fmt.Errorf("panel: %w; is another nightsoak running? Else choose another address", err)
		}
		return []net.Listener{l}, nil
	}
	for i, l := range given {
		if _, tcp := l.(*net.TCPListener); !tcp {
			err = errors.Join(err, fmt.Errorf("panel: socket %d of the socket unit is no listening TCP socket: write ListenStream= with an address and a port", i+1))
			continue
		}
		m.log.Info().Str("address", l.Addr().String()).Msg("the panel is on a socket of the service manager's; [panel] listen is not used")
	}
	return given, err
}
