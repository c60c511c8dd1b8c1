package service

import (
	"context"
	"time"

	"rearguard/alerts/notify"
	"rearguard/alerts/notify/invite"
	"rearguard/daemon/facility"
	"rearguard/daemon/records"
	"rearguard/daemon/records/drills"
	"rearguard/dashboards/web/answer"
)

// links make and open the links in notices, by the configuration in force.
type links struct {
	// key is nil where no links are made.
	key      *invite.Key
	facility func() *facility.Facility
	clock    func() time.Time
	book     *drills.Book
	reader   *records.Reader
}

// openLinks reads or makes the key of links, if the configuration names one.
func (s *service) openLinks() error {
	l := &links{facility: s.inForce, clock: s.now, book: drills.New(s.store), reader: s.store.Pages()}
	s.people = &peopleDesk{links: l, invented: s.Invented, wake: func() { s.notifier.Wake() }}
	file := s.Facility.Web.LinkKeyFile
	if file == "" {
		return nil
	}
	var err error
	l.key, err = invite.ReadOrCreateKey(file)
	return err
}

// inForce is the configuration in force.
func (s *service) inForce() *facility.Facility { return s.site.now.Load().facility }

// make gives the address at which the recipient of a notice answers it, empty
// where there are no links.
func (l *links) make(n notify.Notice, a notify.AlarmNotice, now time.Time) string {
	if l.key == nil {
		return ""
	}
	i := invite.Invitation{About: invite.Incident, Number: a.Occurrence, Begin: a.RaisedAt, Person: n.Recipient, Expires: now.Add(invite.Valid)}
	if a.Kind == notify.Test {
		i.About, i.Number = invite.Test, -a.Occurrence
	}
	return l.facility().Web.PublicURL + "/n/" + l.key.Token(i)
}

// Open reads what stands in a link to somebody of the configuration.
func (l *links) Open(token string) (answer.Invited, error) {
	if l.key == nil {
		return answer.Invited{}, invite.ErrInvalid
	}
	people := l.facility().People
	ids := make([]string, len(people))
	for k := range people {
		ids[k] = people[k].ID
	}
	i, err := l.key.Open(token, ids, l.clock())
	of := answer.Invited{Invitation: i}
	for k := range people {
		if people[k].ID == i.Person {
			of.Name = people[k].Name
		}
	}
	return of, err
}

// Tested is the test notice that a link is about.
func (l *links) Tested(ctx context.Context, i answer.Invited) (drills.Notice, error) {
	_, n, err := drills.Of(ctx, l.reader, i.Number, i.Begin)
	return n, err
}

// Arrived notes that the test notice of a link arrived.
func (l *links) Arrived(ctx context.Context, i answer.Invited) error {
	return l.book.Arrived(ctx, i.Number, i.Begin, i.Name, l.clock())
}
