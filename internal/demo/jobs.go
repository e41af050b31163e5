package demo

import (
	"fmt"
	"slices"
	"strings"

	"github.com/google/uuid"

	"spindlebook/internal/access"
	"spindlebook/internal/parts"
	"spindlebook/internal/pm"
)

// siteFirst is said with every job.
const siteFirst = "The site's own energy-control procedure, local codes and the licensed electrician come before what stands here. These steps are an invented example, not instructions for a real machine."

// addJobs records the blocks that jobs share, and the jobs with their steps, their ways and
// what they take. What a job covers and what follows it is named where the programme
// has it.
func (l *loader) addJobs() error {
	began := l.joined[distributor]
	blocks := map[string]string{"BLK-PRE": "Before leaving", "BLK-IN": "Arrive and isolate", "BLK-ROT": "Rotation test", "BLK-OUT": "Restore and hand over"}
	var codes []string
	for _, s := range l.steps {
		if _, ok := blocks[s.Job]; ok && !slices.Contains(codes, s.Job) {
			codes = append(codes, s.Job)
		}
	}
	if len(codes) != len(blocks) {
		return fmt.Errorf("blocks %v have steps", codes)
	}
	var heads []pm.NewProcedure
	for _, c := range codes {
		heads = append(heads, pm.NewProcedure{Code: c, Title: blocks[c], IsBlock: true})
	}
	for _, j := range l.jobs {
		heads = append(heads, pm.NewProcedure{Code: j.Code, Title: j.Title})
	}
	ids, err := pm.AddProcedures(l.tx, access.System, began, heads)
	if err != nil {
		return err
	}
	var writes []pm.Write
	for i, c := range codes {
		writes = append(writes, pm.Write{Procedure: ids[i], Content: pm.Content{People: 1, Skills: []string{"T1"}, Minutes: pm.Minutes{Low: 5, Typical: 10, High: 20}, LineState: "not_applicable",
			Caution: siteFirst, Steps: l.stepsOf(c)}})
	}
	if _, err := l.publish(writes, nil); err != nil {
		return err
	}
	known, err := l.programme()
	if err != nil {
		return err
	}
	writes = nil
	for i, j := range l.jobs {
		c := pm.Content{People: j.People, Skills: strings.Fields(j.Skills), Minutes: pm.Minutes{Low: j.Low, Typical: j.Typical, High: j.High}, LineState: j.LineState,
			Energies: strings.Fields(j.Energies), Isolation: j.Isolation, Caution: siteFirst, Steps: l.stepsOf(j.Code)}
		for _, m := range l.methods {
			if m.Job == j.Code {
				c.Options = append(c.Options, pm.Option{Code: m.Code, Title: m.Title, People: m.People, Minutes: pm.Minutes{Low: m.Low, Typical: m.Typical, High: m.High}})
			}
		}
		for code := range strings.FieldsSeq(j.Covers) {
			if known["procedure "+code] {
				c.Covers = append(c.Covers, code)
			}
		}
		for code := range strings.FieldsSeq(j.Creates) {
			if known["plan "+code] {
				f := pm.FollowUp{Plan: code}
				if code == "PM-027" {
					f.Condition = "oil = mineral"
				}
				c.FollowUps = append(c.FollowUps, f)
			}
		}
		writes = append(writes, pm.Write{Procedure: ids[len(codes)+i], Content: c})
	}
	_, err = l.publish(writes, func(i int) string { return l.jobs[i].Code })
	return err
}

// publish writes drafts, gives each what it takes, by its code, and publishes them.
func (l *loader) publish(writes []pm.Write, code func(i int) string) ([]uuid.UUID, error) {
	began := l.joined[distributor]
	versions, err := pm.WriteDrafts(l.tx, access.System, began, writes)
	if err != nil {
		return nil, err
	}
	for i, v := range versions {
		if code == nil {
			break
		}
		lines, err := l.partLines(code(i))
		if err == nil && len(lines) > 0 {
			err = parts.SetLines(l.tx, access.System, v, lines)
		}
		if err != nil {
			return nil, fmt.Errorf("what %s takes: %w", code(i), err)
		}
	}
	return versions, pm.Publish(l.tx, access.System, began, versions)
}

// programme names the procedures and plans that there are.
func (l *loader) programme() (map[string]bool, error) {
	var rows []struct{ Code string }
	known := map[string]bool{}
	err := l.tx.Raw(`select 'procedure ' || code as code from procedure union all select 'plan ' || code from plan`).Scan(&rows).Error
	for _, r := range rows {
		known[r.Code] = true
	}
	return known, err
}

func (l *loader) stepsOf(code string) []pm.Step {
	var all []pm.Step
	for _, s := range l.steps {
		if s.Job == code {
			all = append(all, pm.Step{Phase: s.Phase, Kind: s.Kind, Says: s.Says, Hold: s.Hold, Skills: strings.Fields(s.Skills), Condition: s.Condition, Records: s.Records, IfNot: s.IfNot, Includes: s.Includes})
		}
	}
	return all
}
