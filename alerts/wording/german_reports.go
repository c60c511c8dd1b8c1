package wording

// germanReports are forms of what other parts of rearguard say, with %s for
// what stands in them. What an operating system or a server says is told as it
// is.
func germanReports() map[string]string {
	return map[string]string{
		// Who set a limit.
		"cohort %s in %s":                            "Zuchtgruppe %s (%s)",
		"cohort %s near %s":                          "Zuchtgruppe %s (kurz vor oder nach: %s)",
		"common practice":                            "üblicher Praxis",
		"the facility's limits in the configuration": "den Grenzen der Anlage in facility.yaml",
		"the room's own limits in the configuration": "den eigenen Grenzen des Raums in facility.yaml",

		// What is wrong with a sensor.
		"%s is hard to believe": "%s ist kaum zu glauben",
		"%s cannot be right":    "%s kann nicht stimmen",
		"temperature":           "Temperatur", "humidity": "Luftfeuchte", "battery": "Batterie", "signal": "Funksignal",
		"newest messages waited at the broker for nobody knows how long, and count for nothing; none has come since": "die neuesten Nachrichten lagen unbekannt lange beim Broker und zählen nicht; seither kam keine",
		"clock is %s ahead and its readings cannot be placed: set the clock of the sensor or its gateway":            "die Uhr geht %s vor, und die Messwerte lassen sich nicht einordnen: die Uhr des Sensors oder seines Gateways stellen",
		"clock is %s behind and its readings cannot be placed: set the clock of the sensor or its gateway":           "die Uhr geht %s nach, und die Messwerte lassen sich nicht einordnen: die Uhr des Sensors oder seines Gateways stellen",
		"%s has no unit: the device has not stated one; where it never does, give unit: in the configuration":        "%s hat keine Einheit: Das Gerät hat keine genannt; nennt es nie eine, unit: in facility.yaml angeben",
		"birth message is missing, without which its values cannot be told apart; it is asked for":                   "die Geburtsnachricht fehlt, ohne die sich seine Werte nicht unterscheiden lassen; sie ist angefordert",

		// Rearguard's own parts.
		"the database file": "die Datenbankdatei",
		"the records":       "die Aufzeichnungen",
		"it says %s, which is before this program was made":                                                                                            "sie zeigt %s, das liegt vor der Entstehung von rearguard",
		"it says %s, but the records go on until %s":                                                                                                   "sie zeigt %s, aber die Aufzeichnungen reichen bis %s",
		"it says %s, %s days after the end of the records on %s":                                                                                       "sie zeigt %s, %s Tage nach dem Ende der Aufzeichnungen am %s",
		"it says %s, but the clocks of %s sensors say %s":                                                                                              "sie zeigt %s, aber die Uhren von %s Sensoren zeigen %s",
		"it was moved from %s to %s, and nothing bears that out":                                                                                       "sie wurde von %s auf %s gestellt, und nichts bestätigt das",
		"it was moved from %s to %s, and the clocks of sensors did not move with it":                                                                   "sie wurde von %s auf %s gestellt, und die Uhren der Sensoren gingen nicht mit",
		"the clock of this machine was put right by a little":                                                                                          "die Uhr dieses Rechners wurde ein wenig richtiggestellt",
		"the clock of this machine follows a source of time":                                                                                           "die Uhr dieses Rechners folgt einer Zeitquelle",
		"the clock of this machine agrees with those of sensors":                                                                                       "die Uhr dieses Rechners stimmt mit denen von Sensoren überein",
		"the clock of this machine was moved":                                                                                                          "die Uhr dieses Rechners wurde verstellt",
		"the clock of this machine agrees with the records again":                                                                                      "die Uhr dieses Rechners stimmt wieder mit den Aufzeichnungen überein",
		"the clocks of %s sensors agree":                                                                                                               "die Uhren von %s Sensoren stimmen überein",
		"the records at %s were missing or empty and are new, and those kept there until %s are gone: %s":                                              "die Aufzeichnungen unter %s fehlten oder waren leer und sind neu, und die dort bis %s geführten sind weg: %s",
		"the records at %s are others than those kept there until %s: %s":                                                                              "die Aufzeichnungen unter %s sind andere als die dort bis %s geführten: %s",
		"the records at %s are older than last time: they end on %s, and once they went on to %s; what came between is missing: %s":                    "die Aufzeichnungen unter %s sind älter als beim letzten Mal: Sie enden am %s und reichten schon bis %s; was dazwischen lag, fehlt: %s",
		"restore the newest backup to %s, or adopt them as they are":                                                                                   "die neueste Sicherung nach %s zurückholen oder sie so annehmen, wie sie sind",
		"the records could not be used and were set aside as %s, and new ones were begun: restore the newest backup to %s, or adopt the new ones (%s)": "die Aufzeichnungen waren unbrauchbar und liegen beiseite als %s, neue wurden begonnen: die neueste Sicherung nach %s zurückholen oder die neuen annehmen (%s)",
		"%s cannot be read":                     "nicht lesbar: %s",
		"readings of sensor %s of %s":           "Messwerte des Sensors %s vom %s",
		"readings of sensor %s from %s to %s":   "Messwerte des Sensors %s von %s bis %s",
		"readings of all sensors of %s":         "Messwerte aller Sensoren vom %s",
		"readings of all sensors from %s to %s": "Messwerte aller Sensoren von %s bis %s",
		"the kept state %s":                     "der bewahrte Zustand %s",
		"the list of phones (open the page of phones on those that are missing)": "die Liste der Telefone (auf den fehlenden die Seite der Telefone öffnen)",
	}
}

// germanLinkReports are those of the link to the broker and of channels.
func germanLinkReports() map[string]string {
	return map[string]string{
		// The link to the broker.
		"The broker has not been called yet.": "Der Broker wurde noch nicht angerufen.",
		"rearguard is stopping.":              "rearguard hält gerade an.",
		"The broker at %s closed the connection; connecting again. If this repeats, look at the broker's log.":                                                                                 "Der Broker unter %s hat die Verbindung beendet; sie wird neu aufgebaut. Wiederholt sich das, ins Protokoll des Brokers sehen.",
		"The connection to the broker at %s was lost (%s); connecting again. If this repeats, check the network.":                                                                              "Die Verbindung zum Broker unter %s ging verloren (%s); sie wird neu aufgebaut. Wiederholt sich das, das Netz prüfen.",
		"The broker refuses the subscription to %s. Allow %s to read it in the broker's access rules, or correct the topic.":                                                                   "Der Broker verweigert das Abonnement von %s. In den Zugriffsregeln des Brokers %s das Lesen erlauben oder das Topic berichtigen.",
		"Subscribing failed: %s. Look at the broker's log.":                                                                                                                                    "Das Abonnieren schlug fehl: %s. Ins Protokoll des Brokers sehen.",
		"The broker accepts the connection, but what rearguard publishes on %s does not come back. Allow rearguard to write and read that topic in the broker's access rules.":                 "Der Broker nimmt die Verbindung an, aber was rearguard auf %s sendet, kommt nicht zurück. In den Zugriffsregeln des Brokers rearguard Schreiben und Lesen dieses Topics erlauben.",
		"The broker keeps closing the connection soon after accepting it. Most likely another client uses the client id %s too, and the two push each other out. Give each its own client id.": "Der Broker beendet die Verbindung immer wieder kurz nach dem Aufbau. Wahrscheinlich benutzt ein anderer Client auch die Client-ID %s, und beide verdrängen einander. Jedem eine eigene Client-ID geben.",
		"Cannot read what is needed to log in at the broker: %s. Correct the file or the setting.":                                                                                             "Was zum Anmelden am Broker nötig ist, lässt sich nicht lesen: %s. Die Datei oder die Einstellung berichtigen.",
		"The broker at %s refuses the login %s. Check the user name and the password, and that the broker has this account.":                                                                   "Der Broker unter %s weist die Anmeldung %s ab. Benutzername und Passwort prüfen, und ob der Broker dieses Konto hat.",
		"without a user name": "ohne Benutzernamen",
		"as user %s":          "als Benutzer %s",
		"The broker at %s rejects the client id %s. Choose another one, of letters and digits.":                                               "Der Broker unter %s lehnt die Client-ID %s ab. Eine andere aus Buchstaben und Ziffern wählen.",
		"The broker at %s answers that it is not available. Look at the broker's log.":                                                        "Der Broker unter %s antwortet, dass er nicht verfügbar ist. Ins Protokoll des Brokers sehen.",
		"The broker at %s does not speak MQTT 3.1.1. Enable that version in the broker.":                                                      "Der Broker unter %s spricht kein MQTT 3.1.1. Diese Version im Broker einschalten.",
		"The broker's host name %s cannot be resolved. Check the name and this machine's DNS.":                                                "Der Hostname %s des Brokers lässt sich nicht auflösen. Den Namen und das DNS dieses Rechners prüfen.",
		"Nothing listens at %s. Start the broker, or correct its address or port.":                                                            "Unter %s antwortet nichts. Den Broker starten oder seine Adresse oder den Port berichtigen.",
		"No answer from %s within %s. Check the network, the firewall and the port.":                                                          "Keine Antwort von %s binnen %s. Netz, Firewall und Port prüfen.",
		"The broker at %s closes the connection without an answer. %s":                                                                        "Der Broker unter %s beendet die Verbindung ohne Antwort. %s",
		"If the port is one for TLS, use mqtts:// in the address.":                                                                            "Ist der Port für TLS, in der Adresse mqtts:// schreiben.",
		"It may demand a client certificate, or not accept this one.":                                                                         "Vielleicht verlangt er ein Client-Zertifikat oder nimmt dieses nicht an.",
		"Cannot connect to the broker at %s: %s. Check the network and the broker.":                                                           "Keine Verbindung zum Broker unter %s: %s. Netz und Broker prüfen.",
		"The certificate of the broker at %s is signed by an authority this machine does not know. Give the CA's certificate as the CA file.": "Das Zertifikat des Brokers unter %s hat eine Stelle unterschrieben, die dieser Rechner nicht kennt. Das Zertifikat der CA als CA-Datei angeben.",
		"The certificate of the broker at %s is not for that name: %s. Connect by a name in the certificate.":                                 "Das Zertifikat des Brokers unter %s gilt nicht für diesen Namen: %s. Einen Namen aus dem Zertifikat benutzen.",
		"The certificate of the broker at %s has expired or is not valid yet: %s. Renew it, or set this machine's clock.":                     "Das Zertifikat des Brokers unter %s ist abgelaufen oder gilt noch nicht: %s. Es erneuern oder die Uhr dieses Rechners stellen.",
		"The broker at %s does not speak TLS on this port. Use its TLS port, or mqtt:// in the address.":                                      "Der Broker unter %s spricht auf diesem Port kein TLS. Seinen TLS-Port benutzen oder mqtt:// in der Adresse schreiben.",
		"The broker at %s ends the TLS handshake (%s). It probably demands a client certificate; give one.":                                   "Der Broker unter %s bricht den TLS-Aufbau ab (%s). Wahrscheinlich verlangt er ein Client-Zertifikat; eines angeben.",
		"The broker at %s does not accept the client certificate (%s). Check that it is current and signed by the broker's CA.":               "Der Broker unter %s nimmt das Client-Zertifikat nicht an (%s). Prüfen, ob es gültig und von der CA des Brokers unterschrieben ist.",
		"The TLS handshake with the broker at %s fails: %s. Check the certificates and the port.":                                             "Der TLS-Aufbau mit dem Broker unter %s schlägt fehl: %s. Zertifikate und Port prüfen.",

		// What keeps notices from getting out.
		"%s: no e-mail address of %s is configured":                                   "%s: Für %s ist keine E-Mail-Adresse angegeben",
		"%s: connect to mail server %s: %s":                                           "%s: Verbindung zum Mailserver %s: %s",
		"%s: mail server %s did not confirm the message":                              "%s: Mailserver %s hat die Nachricht nicht bestätigt",
		"%s: mail server %s: %s":                                                      "%s: Mailserver %s: %s",
		"%s: call %s: %s":                                                             "%s: Aufruf %s: %s",
		"%s: %s answered %s: redirects are not followed, configure the final address": "%s: %s antwortete %s: Umleitungen werden nicht befolgt, die endgültige Adresse angeben",
		"%s: %s answered %s":                                                          "%s: %s antwortete %s",
		"%s: no phone of %s is subscribed: open the page /phones on the phone and subscribe it": "%s: Kein Telefon von %s ist angemeldet: auf dem Telefon die Seite /phones öffnen und es anmelden",
	}
}

// germanDrillReports are what is said of drills.
func germanDrillReports() map[string]string {
	return map[string]string{
		"no drill has been made yet: start one":                     "noch keine Übung: eine starten",
		"the last drill was on %s, and one is wanted %s: start one": "die letzte Übung war am %s, eingestellt ist %s: eine starten",
		"weekly": "wöchentlich", "monthly": "monatlich", "quarterly": "vierteljährlich",
		"%s did not answer the drill of %s: ask whether it arrived, and send a test": "%s: keine Antwort auf die Übung vom %s; nachfragen, ob sie ankam, und einen Test senden",
	}
}
