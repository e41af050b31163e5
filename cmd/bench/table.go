package main

import (
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"time"

	"spindlebook/cmd/internal/figures"
)

// row is one line of the table. Without a bar it is reported only.
type row struct {
	work, floor, measured string
	ratio, bar            float64
	score, least          float64 // of what is scored instead: it must not be below the least
}

func (b *bench) add(r row) { b.rows = append(b.rows, r) }

func (r row) cells() []string {
	ratio, bar, within := "", "reported", ""
	if r.ratio > 0 {
		ratio = fmt.Sprintf("%.2f ×", r.ratio)
	}
	if r.bar > 0 {
		bar, within = fmt.Sprintf("≤ %.3g ×", r.bar), "yes"
		if r.ratio > r.bar {
			within = "no"
		}
	}
	if r.least > 0 {
		bar, within = fmt.Sprintf("≥ %.3g", r.least), "yes"
		if r.score < r.least {
			within = "no"
		}
	}
	return []string{r.work, r.floor, r.measured, ratio, bar, within}
}

// report gives what stands between the markers of BENCHMARKS.md.
func (b *bench) report(ctx context.Context, began time.Time, load string) (string, error) {
	postgres, err := exec.CommandContext(ctx, filepath.Join(b.bin, "postgres"), "--version").Output()
	if err != nil {
		return "", err
	}
	_, version, _ := strings.Cut(strings.TrimSpace(string(postgres)), ") ")
	version, _, _ = strings.Cut(version, " ")
	cells := [][]string{{"work", "floor measured in the same run", "measured", "ratio", "bar", "within"}}
	for _, r := range b.rows {
		cells = append(cells, r.cells())
	}
	var t strings.Builder
	fmt.Fprintf(&t, "%s UTC, %d cores, %s memory, %s/%s, load %s before it began. Go %s, PostgreSQL %s.\n",
		began.UTC().Format("2006-01-02 15:04"), runtime.NumCPU(), memory(), runtime.GOOS, runtime.GOARCH, load, strings.TrimPrefix(runtime.Version(), "go"), version)
	fmt.Fprintf(&t, "L is %s sites and %s positions, M %d and %s, S %d and %s. %d clients, %d s for each list. It took %s.\n\n",
		thousands(b.sites), thousands(b.sites*perSite), b.mid, thousands(b.mid*perSite), small, thousands(small*perSite), clients, b.seconds, time.Since(began).Round(time.Second))
	t.WriteString(figures.Table(cells))
	return t.String(), nil
}

func thousands(n int) string {
	s := fmt.Sprint(n)
	for i := len(s) - 3; i > 0; i -= 3 {
		s = s[:i] + "," + s[i:]
	}
	return s
}

// memory gives what the machine has, where it tells.
func memory() string {
	var kb float64
	if raw, err := os.ReadFile("/proc/meminfo"); err == nil {
		if _, err := fmt.Sscanf(string(raw), "MemTotal: %f kB", &kb); err == nil {
			return fmt.Sprintf("%.0f GB", kb/(1<<20))
		}
	}
	return "unknown"
}

// loadAverage gives how busy the machine was in the last minute, where it tells.
func loadAverage() string {
	raw, err := os.ReadFile("/proc/loadavg")
	if one, _, ok := strings.Cut(string(raw), " "); err == nil && ok {
		return one
	}
	return "unknown"
}

// sample is how long something took, each time.
type sample []time.Duration

// at gives the value below which the given part of the sample lies.
func (s sample) at(part float64) time.Duration {
	if len(s) == 0 {
		return 0
	}
	sorted := slices.Sorted(slices.Values(s))
	return sorted[min(len(sorted)-1, int(part*float64(len(sorted))))]
}

func (s sample) median() time.Duration { return s.at(0.5) }

func ratio(a, b time.Duration) float64 {
	if b == 0 {
		return 0
	}
	return float64(a) / float64(b)
}

func ms(d time.Duration) string {
	if d >= 100*time.Millisecond {
		return fmt.Sprintf("%.0f ms", d.Seconds()*1000)
	}
	return fmt.Sprintf("%.2f ms", d.Seconds()*1000)
}
