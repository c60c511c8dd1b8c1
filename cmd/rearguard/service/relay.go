package service

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"

	"rearguard/alerts"
	"rearguard/alerts/notify"
	"rearguard/alerts/relay"
	"rearguard/alerts/wording"
	"rearguard/daemon/facility"
	"rearguard/daemon/records"
	"rearguard/daemon/snapshot"
)

// bookName is the blob that remembers what Alertmanagers were told.
const bookName = "relay/alertmanagers"

// relaying is what hands on which alarms are on.
type relaying struct {
	*relay.Relay
	book *relay.Book
}

// targets builds the Alertmanagers of the configuration.
func targets(f *facility.Facility) ([]relay.Target, error) {
	var built []relay.Target
	for _, a := range f.Alertmanagers {
		roots, err := facility.Authorities(a.CAFile)
		if err != nil {
			return nil, fmt.Errorf("alertmanager %s: %w", a.ID, err)
		}
		t := relay.Target{Name: a.ID, URL: a.URL, Interval: a.Resend, Client: notify.NewHTTPClient(roots), Username: a.Username}
		if a.Password() != (facility.Secret{}) {
			t.Password = a.Password().Read
		}
		if a.Token() != (facility.Secret{}) {
			t.Token = a.Token().Read
		}
		built = append(built, t)
	}
	return built, nil
}

// buildRelay makes the relay with what Alertmanagers were told before the start.
func (s *service) buildRelay(ctx context.Context) error {
	list, err := targets(s.Facility)
	if err != nil {
		return err
	}
	text, err := s.store.LoadState(ctx, bookName)
	if err != nil && !errors.Is(err, records.ErrNotFound) {
		s.forgotTold(err)
	}
	book, err := relay.NewBook(text)
	if err != nil {
		s.forgotTold(err)
	}
	s.relay = relaying{relay.New(book, list, relay.Options{Now: s.now, Random: rand.Float64, Logger: s.Logger}), book}
	return nil
}

func (s *service) forgotTold(err error) {
	s.Logger.Warn("what Alertmanagers were told is not known; an alarm that ended meanwhile ends there when it is not told again", "error", err)
}

// followAlarms keeps the book of the relay until ctx ends, while there is anybody
// to tell.
func (s *service) followAlarms(ctx context.Context) { s.eachTick(ctx, s.takeAlarms) }

func (s *service) takeAlarms() {
	f := s.inForce()
	if len(f.Alertmanagers) == 0 {
		return
	}
	// What begins is told even if the records cannot be written now.
	if s.relay.book.Take(s.now(), standing(s.site.Snapshot(), f.Web.PublicURL)) {
		s.relay.Wake()
	}
}

// tellAlertmanagers tells them until ctx ends. What they were told before a kill
// may be older than the alarms, so these are looked at first.
func (s *service) tellAlertmanagers(ctx context.Context) {
	s.takeAlarms()
	s.relay.Run(ctx)
}

// keepBook writes the book into the records until ctx ends.
func (s *service) keepBook(ctx context.Context) {
	kept := s.relay.book.Page()
	s.eachTick(ctx, func() {
		if s.relay.book.Page() == kept {
			return
		}
		text, page, err := s.relay.book.Text()
		if err == nil {
			err = s.store.Commit(ctx, &records.Batch{State: map[string][]byte{bookName: text}})
		}
		if err != nil {
			return // tried again at the next tick; that the records fail is told by an alarm
		}
		kept = page
	})
}

// standing are the alarms that Alertmanagers are to know as on. One that is
// folded under another, shelved or out of service is not: here nobody is called
// for it either.
func standing(now *snapshot.Snapshot, publicURL string) []relay.Standing {
	link := ""
	if publicURL != "" {
		link = publicURL + "/alarms"
	}
	var list []relay.Standing
	for i := range now.Alarms {
		a := &now.Alarms[i]
		if a.State != alerts.Unacknowledged && a.State != alerts.Acknowledged {
			continue
		}
		found := alerts.Finding{Detail: wording.Report(a.Detail), Want: wording.Report(a.Want)}
		s := relay.Standing{
			Facility: now.Facility, Key: a.Key, Priority: a.Priority, Title: a.Title,
			Measure: wording.Measure{Value: a.Value, Limit: a.Limit, Unit: a.Unit, AirC: a.AirC}, Detail: found.Words().String(), Advice: a.Advice, RaisedAt: a.RaisedAt, Link: link,
		}
		if a.Key.Room != "" {
			s.RoomName = now.RoomName(a.Key.Room)
		}
		list = append(list, s)
	}
	return list
}

// withTroubles is what stands in the way of notices, with what keeps Alertmanagers
// from being told and what is wrong with channels.
func withTroubles(d snapshot.DeliveryTrouble, troubles []relay.Trouble) snapshot.DeliveryTrouble {
	for _, t := range troubles {
		if d.Waiting == 0 || t.Since.Before(d.Oldest) {
			d.Oldest, d.Problem = t.Since, t.Name+": "+t.Problem
		}
		d.Waiting++
	}
	return d
}
