package figures

import (
	"os"
	"path/filepath"
	"testing"
)

func TestOnlyThePartIsReplaced(t *testing.T) {
	file := filepath.Join(t.TempDir(), "figures.md")
	const was = "# Head\n\n<!-- a: written by a program -->\nold\n<!-- end of a -->\n\nbetween\n\n<!-- b: written by a program -->\nkeep\n<!-- end of b -->\n\nfoot\n"
	if err := os.WriteFile(file, []byte(was), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := Write(file, "a", "new\nlines\n"); err != nil {
		t.Fatal(err)
	}
	got, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	const want = "# Head\n\n<!-- a: written by a program -->\nnew\nlines\n<!-- end of a -->\n\nbetween\n\n<!-- b: written by a program -->\nkeep\n<!-- end of b -->\n\nfoot\n"
	if string(got) != want {
		t.Errorf("got\n%s", got)
	}
	if b, err := Read(file, "b"); err != nil || b != "keep\n" {
		t.Errorf("part b is %q, %v", b, err)
	}
	if err := Write(file, "c", "x"); err == nil {
		t.Error("a part that is not there was written")
	}
	if again, _ := os.ReadFile(file); string(again) != want {
		t.Error("the failed write changed something")
	}
}

func TestColumnsAreWideEnough(t *testing.T) {
	got := Table([][]string{{"work", "ratio"}, {"a list", "1.5 ×"}, {"x"}})
	const want = "| work   | ratio |\n|--------|-------|\n| a list | 1.5 × |\n| x      |       |\n"
	if got != want {
		t.Errorf("got\n%s", got)
	}
}
