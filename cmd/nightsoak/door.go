package main

import (
	"fmt"
	"log/slog"
	"net"
	"net/http"
	neturl "net/url"
	"os"

	"github.com/prometheus/exporter-toolkit/web"
	"github.com/rs/zerolog"
	"go.yaml.in/yaml/v2"

	"nightsoak/acquire/bench"
	"nightsoak/export/panel"
)

// door is how the panel is reached, and by whom: what [panel] says of it.
type door struct {
	options panel.Options
	file    string // of the web configuration; empty for plain HTTP
	scheme  string
	basic   bool // the web configuration asks for passwords
}

// newDoor reads the secrets and checks the web configuration; an error is an invalid file.
func newDoor(b *bench.Bench) (*door, error) {
	d := &door{scheme: "http"}
	if f := b.Panel.TokenFile; f != "" {
		token, err := bench.ReadSecret(f)
		if err != nil {
			return nil, usage(fmt.Errorf("token_file: %w", err))
		}
		d.options.Token = token.Reveal()
	}
	d.options.Hosts = b.Panel.Hosts
	if name, err := os.Hostname(); err == nil {
		d.options.Hosts = append([]string{name}, d.options.Hosts...)
	}
	if u, err := neturl.Parse(b.Panel.Link); err == nil && u.Host != "" {
		d.options.Hosts = append(d.options.Hosts, u.Host)
		d.options.Origins = []string{u.Scheme + "://" + u.Host}
	}
	if b.Panel.WebConfig != "" {
		d.file = bench.SecretPath(b.Panel.WebConfig)
		var c web.Config
		content, err := os.ReadFile(d.file)
		if err == nil {
			err = yaml.Unmarshal(content, &c)
		}
		if err == nil {
			err = web.Validate(d.file)
		}
		if err != nil {
			return nil, usage(fmt.Errorf("web_config %s: %w", d.file, err))
		}
		if d.basic = len(c.Users) > 0; c.TLSConfig.IsEnabled() {
			d.scheme = "https"
		}
	}
	return d, nil
}

// behind is h behind the passwords of the web configuration, which are judged
// before it: it must not take them for tokens.
func (d *door) behind(h http.Handler) http.Handler {
	if !d.basic {
		return h
	}
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if _, _, basic := r.BasicAuth(); basic {
			r.Header.Del("Authorization")
		}
		h.ServeHTTP(w, r)
	})
}

// serve serves on l until the server is shut down.
func (d *door) serve(l net.Listener, srv *http.Server, log zerolog.Logger) error {
	if d.file == "" {
		return srv.Serve(l)
	}
	return web.Serve(l, srv, &web.FlagConfig{WebConfigFile: &d.file}, slog.New(zerolog.NewSlogHandler(log)))
}
