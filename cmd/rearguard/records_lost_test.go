package main

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"rearguard/sensors/broker/brokertest"
)

// doubted waits until the alarms say why the records are doubted.
func (s *site) doubted(words string) {
	s.t.Helper()
	eventually(s.t, "an alarm that says "+words, time.Minute, func() bool {
		var list []struct {
			Key              struct{ Condition string }
			Detail, Priority string
		}
		if !s.get("/api/v1/alarms", &list) {
			return false
		}
		for _, a := range list {
			if a.Key.Condition == "records_doubted" && a.Priority == "high" && strings.Contains(a.Detail, words) {
				return true
			}
		}
		return false
	})
}

// adopt says by the command line that the records are the right ones.
func (s *site) adopt() (string, error) {
	s.t.Helper()
	binary, err := program()
	if err != nil {
		s.t.Fatal(err)
	}
	out, err := exec.Command(binary, "adopt-records", "--config", s.config, "--who", "lead").CombinedOutput()
	return string(out), err
}

// Records that cannot be opened are set aside and missing ones begun anew; the
// daemon watches, and tells it by an alarm until a person says that all is
// well.
func TestLostRecordsAreTold(t *testing.T) {
	m := brokertest.Start(t, brokertest.Options{})
	s := newSite(t, m.Port, "")
	path := filepath.Join(s.dir, "site.db")
	lives := func(look func()) {
		t.Helper()
		s.start()
		defer s.end(syscall.SIGTERM)
		s.awaitReady()
		look()
	}
	lives(func() {})
	whole, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	damaged := append([]byte("no header of a database "), whole[24:]...)
	if err := os.WriteFile(path, damaged, 0o600); err != nil {
		t.Fatal(err)
	}
	lives(func() { s.doubted("set aside as " + path + ".damaged-") })
	aside, err := filepath.Glob(path + ".damaged-*Z")
	if err != nil || len(aside) != 1 {
		t.Fatalf("set aside are %q: %v", aside, err)
	}
	if kept, err := os.ReadFile(aside[0]); err != nil || string(kept) != string(damaged) {
		t.Errorf("%s is not what was there: %v", aside[0], err)
	}
	// The right file comes back, and the doubt is gone: nothing to adopt.
	if err := os.WriteFile(path, whole, 0o600); err != nil {
		t.Fatal(err)
	}
	lives(func() {
		if out, err := s.adopt(); err == nil || !strings.Contains(out, "nothing of the records is doubted") {
			t.Errorf("adopting what is not doubted: %v: %s", err, out)
		}
	})
	if err := os.Remove(path); err != nil {
		t.Fatal(err)
	}
	lives(func() {
		s.doubted("were missing or empty and are new")
		if out, err := s.adopt(); err != nil {
			t.Errorf("adopt: %v: %s", err, out)
		}
	})
	lives(func() {
		if out, err := s.adopt(); err == nil {
			t.Errorf("they were adopted before, and doubted again: %s", out)
		}
	})
}

// A disk that is lost takes with it what lies beside the records. The broker
// keeps a note of them, so that it is told all the same.
func TestLostDiskIsTold(t *testing.T) {
	m := brokertest.Start(t, brokertest.Options{})
	s := newSite(t, m.Port, "")
	s.start()
	s.awaitReady()
	kept := make(chan []byte, 10)
	other := client(t, m.URL())
	if err := mqtt.WaitTokenTimeout(other.Subscribe("bad/rearguard/records", 1, func(_ mqtt.Client, p mqtt.Message) { kept <- p.Payload() }), 10*time.Second); err != nil {
		t.Fatal(err)
	}
	select {
	case <-kept:
	case <-time.After(time.Minute):
		t.Fatal("the broker is given no note of the records")
	}
	s.end(syscall.SIGKILL)
	files, err := filepath.Glob(filepath.Join(s.dir, "site.db*"))
	if err != nil || len(files) < 2 {
		t.Fatalf("the records are %q: %v", files, err)
	}
	for _, file := range files {
		if err := os.Remove(file); err != nil {
			t.Fatal(err)
		}
	}
	s.start()
	defer s.end(syscall.SIGTERM)
	s.doubted("were missing or empty and are new")
	if out, err := s.adopt(); err != nil {
		t.Errorf("adopt: %v: %s", err, out)
	}
}
