package supply

import (
	"reflect"
	"testing"

	"spindlebook/internal/fault"
)

func TestReadVoltages(t *testing.T) {
	for typed, want := range map[string]string{
		"208-230/460":                         "208-230/460",
		"230/460":                             "230/460",
		"460":                                 "460",
		"230/400":                             "230/400",
		"265/460":                             "265/460",
		"200":                                 "200",
		"575":                                 "575",
		"460/230":                             "230/460",
		" 208 – 230 / 460 V ":                 "208-230/460",
		"230V/460V":                           "230/460",
		"460 volts":                           "460",
		"208/230/460":                         "208-230/460",
		"200/230/460":                         "200-230/460",
		"220-240/380-415":                     "220-240/380-415",
		"220/380/440/760":                     "220/380/440/760",
		"230/400 50 Hz; 265/460 60Hz":         "230/400 50 Hz; 265/460 60 Hz",
		"190/380 V 50 Hz, 208-230/460 V 60hz": "190/380 50 Hz; 208-230/460 60 Hz",
		"400 50/60 Hz":                        "400 50/60 Hz",
		"277.5":                               "277.5",
		"":                                    "",
	} {
		n, err := Read(Plate{Voltages: typed})
		if err != nil {
			t.Errorf("%q: %v", typed, err)
		} else if got := n.Voltages(); got != want {
			t.Errorf("%q: %q, want %q", typed, got, want)
		}
	}
	for _, typed := range []string{"abc", "/", "230/", "230-460", "230/230", "230--240", "208-230-460", "-230", "1e3", "+Inf", "0", "1001", "230/460;575", "240-208",
		"230 50 Hz; 240 50 Hz", "230Hz", "230 55 Hz", "230;;", "60 Hz", "1 50 Hz; 2 60 Hz; 3 60 Hz", "100/150/200/250/300", "2.3.0", "208-230/220", "230 400"} {
		if n, err := Read(Plate{Voltages: typed}); fault.KindOf(err) != fault.Invalid {
			t.Errorf("%q was read as %v", typed, n)
		}
	}
}

func TestReadTheRest(t *testing.T) {
	n := plate(t, Plate{"230/460", "3~", "60/50 Hz", "9", "Star"})
	want := Nameplate{Ratings: []Rating{{Sets: [][]float64{{230}, {460}}, Hertz: []int{50, 60}}}, Phases: 3, Leads: 9, Winding: Wye}
	if !reflect.DeepEqual(n, want) {
		t.Errorf("%+v", n)
	}
	if n := plate(t, Plate{"", "1", "50", "", "Δ"}); n.Ratings[0].Hertz[0] != 50 || n.Phases != 1 || n.Winding != Delta || n.Voltages() != "" {
		t.Errorf("%+v", n)
	}
	// The same frequency may stand twice, another not.
	plate(t, Plate{Voltages: "230/400 50 Hz; 265/460 60 Hz", Hertz: "50/60", Winding: "unknown"})
	for name, p := range map[string]Plate{
		"hertz that disagree": {Voltages: "230/460 60 Hz", Hertz: "50"},
		"hertz":               {Hertz: "55"},
		"hertz twice":         {Hertz: "60/60"},
		"no hertz":            {Hertz: "/"},
		"phases":              {Phases: "2"},
		"leads":               {Leads: "25"},
		"leads in words":      {Leads: "nine"},
		"winding":             {Winding: "zigzag"},
	} {
		if _, err := Read(p); fault.KindOf(err) != fault.Invalid {
			t.Errorf("%s: %v", name, err)
		}
	}
	_, err := Read(Plate{"x", "x", "x", "x", "x"})
	if f, ok := err.(*fault.Error); !ok || len(f.Parts) != 5 {
		t.Errorf("not every field is named: %v", err)
	}
}

// What was read is written so that it reads the same, and no text upsets it or
// the judge behind it.
func FuzzRead(f *testing.F) {
	for _, s := range scenarios(f) {
		f.Add(s.plate.Voltages, s.plate.Hertz)
	}
	for _, s := range []string{"208–230/460V", "230/400 50 Hz, 265/460 60 Hz", "220/380/440/760", "1/2/3/4", "208-230-460", "60 Hz", ";", "0x1p4", "\xff"} {
		f.Add(s, "50/60")
	}
	f.Fuzz(func(t *testing.T, voltages, hertz string) {
		n, err := Read(Plate{Voltages: voltages, Hertz: hertz, Phases: "3", Leads: "9"})
		if err != nil {
			if fault.KindOf(err) != fault.Invalid {
				t.Fatal(err)
			}
			return
		}
		feed := Feed{Volts: 480, Phases: 3, Hertz: 60}
		sound(t, n, feed, Judge(n, feed, Links{}))
		if n.Voltages() == "" {
			return
		}
		again, err := Read(Plate{Voltages: n.Voltages(), Phases: "3", Leads: "9"})
		if err != nil || !reflect.DeepEqual(again, n) {
			t.Fatalf("%q became %q: %+v, %+v, %v", voltages, n.Voltages(), n, again, err)
		}
	})
}
