package main

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"strings"
	"syscall"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"spindlebook/internal/door"
	"spindlebook/internal/httpapi"
	"spindlebook/internal/pgdb"
	"spindlebook/internal/pgdb/cluster"
	"spindlebook/internal/web"
)

// serveVerb starts this program as the server that is measured: a process of
// its own, so that its memory is the API's and not that of those who ask.
const serveVerb = "serve-for-bench"

// served is what the server tells at its end.
type served struct {
	Statements, Requests float64
	PeakKB               int
}

// clock gives what the time is: now, or the instant at which a record is looked at.
func clock(args []string) (func() time.Time, error) {
	if len(args) == 0 {
		return time.Now, nil
	}
	at, err := time.Parse(time.RFC3339, args[0])
	return func() time.Time { return at }, err
}

// serve answers the API and the pages on a free port, which it tells first, until its
// input ends, and then tells what it took.
func serve(ctx context.Context, db *pgdb.DB, now func() time.Time, in io.Reader, out io.Writer) error {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return err
	}
	counts := prometheus.NewRegistry()
	d, err := door.New(door.Options{DB: db, Log: slog.New(slog.NewTextHandler(io.Discard, nil)), Now: now, // it logs, but to nobody
		PublicURL: &url.URL{Scheme: "http", Host: l.Addr().String()}, MaxBody: 1 << 20, Metrics: counts})
	if err != nil {
		return err
	}
	if err := httpapi.Mount(d, db, now); err != nil {
		return err
	}
	if err := web.Mount(d, db, now, web.Options{Demo: true}); err != nil {
		return err
	}
	srv := &http.Server{Handler: d.Engine, ReadHeaderTimeout: 10 * time.Second}
	failed := make(chan error, 1)
	go func() { failed <- srv.Serve(l) }()
	fmt.Fprintln(out, "http://"+l.Addr().String())
	_, _ = io.Copy(io.Discard, in) // its end is all that matters
	if err := srv.Shutdown(ctx); err != nil {
		return err
	}
	if err := <-failed; !errors.Is(err, http.ErrServerClosed) {
		return err
	}
	s := served{PeakKB: peak()}
	all, err := counts.Gather()
	if err != nil {
		return err
	}
	for _, f := range all {
		if f.GetName() != "spindlebook_request_statements" {
			continue
		}
		for _, m := range f.GetMetric() {
			s.Statements += m.GetHistogram().GetSampleSum()
			s.Requests += float64(m.GetHistogram().GetSampleCount())
		}
	}
	return json.NewEncoder(out).Encode(s)
}

// peak gives the most memory that this process ever held, where the system tells.
func peak() (kb int) {
	raw, _ := os.ReadFile("/proc/self/status")
	for line := range strings.Lines(string(raw)) {
		if _, err := fmt.Sscanf(line, "VmHWM: %d kB", &kb); err == nil {
			break
		}
	}
	return kb
}

// overHTTP measures the same list as a program with a token gets it.
func (b *bench) overHTTP(ctx context.Context, _ cluster.Address) error {
	for _, role := range []string{asOwner, asManager} {
		b.say("the same list over HTTP as %s, %d s", role, b.seconds)
		took, s, err := b.askServer(ctx, b.large, role)
		if err != nil {
			return err
		}
		r := row{work: fmt.Sprintf("the same over HTTP as %s, p50", role), measured: fmt.Sprintf("%s, p99 %s, %s requests/s", ms(took.median()), ms(took.at(0.99)),
			thousands(len(took)/b.seconds))}
		if direct := b.direct[role]; len(direct) > 0 {
			r.floor, r.ratio = "without HTTP "+ms(direct.median()), ratio(took.median(), direct.median())
		}
		b.add(r)
		b.add(row{work: "its statements a request, its peak memory", measured: fmt.Sprintf("%.3g, %d MB (budget 150 MB)", s.Statements/s.Requests, s.PeakKB>>10)})
	}
	return nil
}

// askServer asks a server for pages.
func (b *bench) askServer(ctx context.Context, d *data, role string) (took sample, s served, err error) {
	s, err = withServer(ctx, d, nil, func(base string) (err error) {
		client := &http.Client{Timeout: 30 * time.Second, Transport: &http.Transport{MaxIdleConnsPerHost: clients}}
		defer client.CloseIdleConnections() // else the server waits for them
		took, err = ask(ctx, d.pages[role], time.Duration(b.seconds)*time.Second, func(ctx context.Context, p page) error {
			return get(ctx, client, base, p)
		})
		return err
	})
	return took, s, err
}

// withServer starts the server, lets fn ask it, ends it and gives what it took.
func withServer(ctx context.Context, d *data, at []string, fn func(base string) error) (s served, err error) {
	self, err := os.Executable()
	if err != nil {
		return s, err
	}
	cmd := exec.CommandContext(ctx, self, append([]string{serveVerb, d.service}, at...)...)
	cmd.Stderr = os.Stderr
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true} // its end is ours to say
	in, err := cmd.StdinPipe()
	if err != nil {
		return s, err
	}
	out, err := cmd.StdoutPipe()
	if err != nil {
		return s, err
	}
	if err := cmd.Start(); err != nil {
		return s, err
	}
	lines := bufio.NewReader(out)
	base, err := lines.ReadString('\n')
	if err == nil {
		err = fn(strings.TrimSpace(base))
	}
	err = errors.Join(err, in.Close())
	if err == nil {
		err = json.NewDecoder(lines).Decode(&s)
	}
	return s, errors.Join(err, cmd.Wait())
}

// get reads one page.
func get(ctx context.Context, client *http.Client, base string, p page) error {
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, fmt.Sprintf("%s%s/positions?site_id=%s&limit=%d", base, door.APIPath, p.site, perSite), nil)
	if err != nil {
		return err
	}
	req.Header.Set("Authorization", "Bearer "+p.token)
	res, err := client.Do(req)
	if err != nil {
		return err
	}
	defer res.Body.Close()
	if _, err := io.Copy(io.Discard, res.Body); err != nil {
		return err
	}
	if res.StatusCode != http.StatusOK {
		return fmt.Errorf("the server answers %s", res.Status)
	}
	return nil
}
