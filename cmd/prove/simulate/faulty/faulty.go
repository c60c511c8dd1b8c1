// Package faulty puts known faults back into a copy of the module, and counts
// the simulated runs until each is found.
package faulty

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"rearguard/cmd/prove/simulate"
)

// faultsFolder is where the known faults stand, each as a patch that puts it
// back.
const faultsFolder = "cmd/prove/simulate/testdata/faults"

// Fault is a fault that was put back, and how soon it was found.
type Fault struct {
	// Name is that of the patch, What the first line of it.
	Name string `json:"name"`
	What string `json:"what"`
	// Needs are the kinds of events that it was looked for with, from the
	// patch's second line; empty for all.
	Needs []string `json:"needs,omitempty"`
	// Runs is how many runs it took; 0 when it was not found.
	Runs int `json:"runs"`
	// Rule is the rule that it broke, Problem why it could not be measured.
	Rule    string `json:"rule,omitempty"`
	Problem string `json:"problem,omitempty"`
}

// Options say how to look for faults.
type Options struct {
	// Root is the folder of the module.
	Root string
	// Seed is the first seed of each search, Most how many runs it may take.
	Seed uint64
	Most int
	// Only, if set, are words of which a fault's name must contain one.
	Only []string
	// Without are kinds of events that are left out of the runs.
	Without []string
	// Folder holds the records of runs, the system's own when empty.
	Folder string
}

// Measure puts each known fault back into a copy of the module and counts the
// runs until it is found. Each is passed to found as soon as it is known.
func Measure(ctx context.Context, o Options, found func(Fault)) error {
	patches, err := filepath.Glob(filepath.Join(o.Root, faultsFolder, "*.patch"))
	if err != nil {
		return err
	}
	scratch, err := os.MkdirTemp("", "faults-")
	if err != nil {
		return err
	}
	defer func() { _ = os.RemoveAll(scratch) }() // what is left is of no use
	if err := copyModule(ctx, o.Root, scratch); err != nil {
		return err
	}
	for _, patch := range patches {
		name := strings.TrimSuffix(filepath.Base(patch), ".patch")
		if len(o.Only) > 0 && !slices.ContainsFunc(o.Only, func(word string) bool { return strings.Contains(name, word) }) {
			continue
		}
		f, err := o.measure(ctx, scratch, patch)
		if err != nil {
			return err
		}
		found(f)
	}
	return nil
}

// copyModule copies what git knows of a folder.
func copyModule(ctx context.Context, from, to string) error {
	list, err := output(ctx, from, "git", "ls-files", "-z")
	if err != nil {
		return err
	}
	for _, name := range strings.Split(strings.TrimRight(string(list), "\x00"), "\x00") {
		body, err := os.ReadFile(filepath.Join(from, name))
		if errors.Is(err, os.ErrNotExist) {
			continue
		}
		if err != nil {
			return err
		}
		if err := os.MkdirAll(filepath.Dir(filepath.Join(to, name)), 0o755); err != nil {
			return err
		}
		if err := os.WriteFile(filepath.Join(to, name), body, 0o644); err != nil {
			return err
		}
	}
	return nil
}

// measure puts one fault back and looks for it.
func (o *Options) measure(ctx context.Context, scratch, patch string) (Fault, error) {
	text, err := os.ReadFile(patch)
	if err != nil {
		return Fault{}, err
	}
	what, _, _ := strings.Cut(string(text), "\n")
	f := Fault{Name: strings.TrimSuffix(filepath.Base(patch), ".patch"), What: what, Needs: needs(string(text))}
	err = o.tryWith(ctx, scratch, patch, &f)
	return f, err
}

// tryWith puts a fault into the tree, looks for it, and takes it out again. What
// stands in the way is noted with the fault.
func (o *Options) tryWith(ctx context.Context, scratch, patch string, f *Fault) error {
	_, err := output(ctx, scratch, "git", "apply", patch)
	f.noteProblem("the patch does not apply: ", err)
	if f.Problem != "" {
		return nil
	}
	program := filepath.Join(scratch, "prove-with-fault")
	_, err = output(ctx, scratch, "go", "build", "-o", program, "./cmd/prove")
	if err == nil {
		err = o.search(ctx, program, f)
	}
	f.noteProblem("", err)
	_, err = output(ctx, scratch, "git", "apply", "--reverse", patch)
	return err
}

func (f *Fault) noteProblem(prefix string, err error) {
	if err != nil {
		f.Problem = prefix + err.Error()
	}
}

// needs are the kinds of events that a patch names after its first line.
func needs(patch string) []string {
	_, rest, _ := strings.Cut(patch, "\n")
	line, _, _ := strings.Cut(rest, "\n")
	list, named := strings.CutPrefix(line, "Needs: ")
	if !named {
		return nil
	}
	return strings.Split(list, ", ")
}

// search plays runs with the faulty program until one breaks a rule.
func (o *Options) search(ctx context.Context, program string, f *Fault) error {
	args := []string{
		"simulate", "--json", "--as-found", "--most", "1", "--workers", "1",
		"--seed", strconv.FormatUint(o.Seed, 10), "--runs", strconv.Itoa(o.Most), "--folder", o.Folder,
	}
	for _, kind := range f.Needs {
		args = append(args, "--only", kind)
	}
	for _, kind := range o.Without {
		args = append(args, "--without", kind)
	}
	body, err := output(ctx, "", program, args...)
	var report simulate.Report
	if json.Unmarshal(body, &report) != nil {
		return err
	}
	if len(report.Breaches) > 0 {
		f.Runs, f.Rule = report.Runs, report.Breaches[0].Rule
	}
	return nil
}

// output runs a program and returns what it printed.
func output(ctx context.Context, folder, name string, args ...string) ([]byte, error) {
	c := exec.CommandContext(ctx, name, args...)
	c.Dir = folder
	var complaint bytes.Buffer
	c.Stderr = &complaint
	body, err := c.Output()
	if err != nil {
		return body, fmt.Errorf("%s: %w: %s", name, err, strings.TrimSpace(complaint.String()))
	}
	return body, nil
}
