package main

import (
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"rearguard/sensors/broker/brokertest"
)

// documentedCommands returns the lines of the sh blocks of a Markdown file.
func documentedCommands(t *testing.T, path string) []string {
	t.Helper()
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	var commands []string
	inside := false
	for line := range strings.Lines(string(text)) {
		line = strings.TrimRight(line, "\n")
		switch {
		case strings.TrimSpace(line) == "```sh":
			inside = true
		case strings.HasPrefix(strings.TrimSpace(line), "```"):
			inside = false
		case inside && line != "":
			commands = append(commands, line)
		}
	}
	return commands
}

// Every folder and file that DEVELOPERS.md names with its path is there.
func TestDocumentedPaths(t *testing.T) {
	text, err := os.ReadFile("../../DEVELOPERS.md")
	if err != nil {
		t.Fatal(err)
	}
	named := regexp.MustCompile("`((?:cmd|dashboards|daemon|alerts|sensors|deploy)(?:/[a-z0-9_.]+)*)`").FindAllStringSubmatch(string(text), -1)
	if len(named) < 30 {
		t.Fatalf("only %d paths are named", len(named))
	}
	for _, name := range named {
		if _, err := os.Stat(filepath.Join("../..", name[1])); err != nil {
			t.Errorf("%s is named and is not there: %v", name[1], err)
		}
	}
}

// copyTree copies the checkout, without what git and builds leave in it, so
// that documented commands may write what they like.
func copyTree(t *testing.T) string {
	t.Helper()
	root, err := filepath.Abs("../..")
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	err = filepath.WalkDir(root, func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		name, err := filepath.Rel(root, path)
		if err != nil {
			return err
		}
		info, err := d.Info()
		switch {
		case err != nil:
			return err
		case d.IsDir() && (name == ".git" || d.Name() == "node_modules"):
			return filepath.SkipDir
		case d.IsDir():
			return os.MkdirAll(filepath.Join(dir, name), 0o700)
		case !info.Mode().IsRegular() || info.Size() > 4<<20:
			return nil
		}
		body, err := os.ReadFile(path)
		if err != nil {
			return err
		}
		return os.WriteFile(filepath.Join(dir, name), body, info.Mode().Perm())
	})
	if err != nil {
		t.Fatal(err)
	}
	return dir
}

// TestDocumentedCommands runs the commands of README.md and DEVELOPERS.md in
// a copy of the checkout. Three kinds cannot run inside a test: those that
// .ci/run runs, which must stand there word for word, the scripts of .ci
// themselves, which must be readable, and open-ended test runs, of which is
// shown that they find what they are to run.
func TestDocumentedCommands(t *testing.T) {
	if testing.Short() {
		t.Skip("builds the program for two machines; run without -short")
	}
	ci, err := os.ReadFile("../../.ci/run")
	if err != nil {
		t.Fatal(err)
	}
	dir := copyTree(t)
	for _, file := range []string{"README.md", "DEVELOPERS.md"} {
		commands := documentedCommands(t, "../../"+file)
		if len(commands) < 5 {
			t.Errorf("%s has %d commands; are its blocks marked sh?", file, len(commands))
		}
		for _, command := range commands {
			t.Run(file+" "+command, func(t *testing.T) {
				d := documented{t, dir}
				switch {
				case slices.Contains(strings.Split(string(ci), "\n"), command):
				case strings.HasPrefix(command, ".ci/"):
					script := strings.Fields(command)[0]
					d.run("bash -n " + script + " && test -x " + script)
				case strings.HasPrefix(command, "go test -run '^$'"), strings.HasPrefix(command, "go test -short"):
					d.lookUp(command)
				case strings.HasSuffix(command, "rearguard demo"):
					d.interrupt(command, "Ctrl-C ends it.")
				case strings.Contains(command, "rearguard run "):
					d.needFacility()
					d.interrupt(command, "rearguard is running")
				default:
					d.run(command)
				}
			})
		}
	}
}

// documented runs commands in a copy of the checkout.
type documented struct {
	t   *testing.T
	dir string
}

func (d documented) shell(command string) *exec.Cmd {
	cmd := exec.Command("sh", "-c", command)
	cmd.Dir = d.dir
	cmd.Env = append(os.Environ(), "GOFLAGS=-trimpath -buildvcs=false",
		"REARGUARD_BROKER_PASSWORD=b", "REARGUARD_MAIL_PASSWORD=m", "REARGUARD_HOOK_SECRET=h")
	return cmd
}

func (d documented) run(command string) string {
	d.t.Helper()
	out, err := d.shell(command).CombinedOutput()
	if err != nil {
		d.t.Errorf("%v\n%s", err, out)
	}
	return string(out)
}

// lookUp lists what an open-ended test run would run. Without a pattern that
// is every test, which are too many to be built for it.
func (d documented) lookUp(command string) {
	d.t.Helper()
	words := strings.Fields(command)
	listing, packages := "", []string{}
	for i, w := range words {
		switch {
		case w == "-bench", w == "-fuzz":
			listing = map[string]string{"-bench": "^Benchmark", "-fuzz": "^" + words[i+1] + "$"}[w]
		case strings.HasPrefix(w, "./"):
			packages = append(packages, w)
		}
	}
	list := fmt.Sprintf("go test -list '%s'", listing)
	if listing == "" {
		list = `go list -f '{{range .TestGoFiles}}Test {{.}}{{"\n"}}{{end}}'`
	}
	out := d.run(list + " " + strings.Join(packages, " "))
	if !strings.Contains("\n"+out, "\nBenchmark") && !strings.Contains("\n"+out, "\nFuzz") && !strings.Contains("\n"+out, "\nTest") {
		d.t.Errorf("there is nothing to run:\n%s", out)
	}
}

// needFacility puts the example configuration in place, with a port for the
// pages that nobody else uses.
func (d documented) needFacility() {
	d.t.Helper()
	text, err := os.ReadFile(filepath.Join(d.dir, "deploy", "examples", "facility.yaml"))
	if err != nil {
		d.t.Fatal(err)
	}
	listen := fmt.Sprintf("listen: 127.0.0.1:%d", brokertest.FreePort(d.t))
	if !strings.Contains(string(text), "listen: 127.0.0.1:8080") {
		d.t.Fatal("the example does not listen where it did")
	}
	text = []byte(strings.Replace(string(text), "listen: 127.0.0.1:8080", listen, 1))
	if err := os.WriteFile(filepath.Join(d.dir, "facility.yaml"), text, 0o600); err != nil {
		d.t.Fatal(err)
	}
}

// interrupt runs a command that does not end by itself, presses ctrl-C once
// it says that it is there, and wants it to end well.
func (d documented) interrupt(command, sign string) {
	d.t.Helper()
	// Interrupted, go run answers 1 whatever the program did; so build it and
	// start it without go between.
	args, ok := strings.CutPrefix(command, "go run ./cmd/rearguard ")
	if !ok {
		d.t.Fatalf("no way to interrupt %q", command)
	}
	d.run("go build -o rearguard ./cmd/rearguard")
	var out logBuffer
	cmd := d.shell("exec ./rearguard " + args)
	cmd.Stdout, cmd.Stderr = &out, &out
	if err := cmd.Start(); err != nil {
		d.t.Fatal(err)
	}
	d.t.Cleanup(func() { _ = cmd.Process.Kill() })
	eventually(d.t, sign, 3*time.Minute, func() bool { return strings.Contains(out.String(), sign) })
	if err := cmd.Process.Signal(syscall.SIGINT); err != nil {
		d.t.Fatal(err)
	}
	if err := cmd.Wait(); err != nil {
		d.t.Errorf("ended with %v after ctrl-C:\n%s", err, out.String())
	}
}
