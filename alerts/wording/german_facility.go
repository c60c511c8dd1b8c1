package wording

// germanFacility is cause, consequence and first action of what is about
// sensors and about rearguard itself.
func germanFacility() map[string]string {
	return map[string]string{
		"Battery empty, sensor out of radio range or unplugged, or its gateway is down.":        "Batterie leer, Sensor außer Funkreichweite oder ausgesteckt, oder sein Gateway steht.",
		"The room is watched by fewer sensors; a hot or dry corner may go unseen.":              "Weniger Sensoren überwachen den Raum; eine heiße oder trockene Ecke kann unbemerkt bleiben.",
		"Look at the sensor: power, battery, position. Replace the battery or swap the sensor.": "Den Sensor ansehen: Strom, Batterie, Platz. Die Batterie wechseln oder den Sensor tauschen.",

		"Wet or dirty element, loose plug, failing sensor, or it was moved to where the air is different.":   "Fühler nass oder schmutzig, Stecker lose, Sensor am Ende, oder er steht jetzt, wo die Luft anders ist.",
		"The room is watched by fewer sensors. The others go on; this one no longer counts for development.": "Weniger Sensoren überwachen den Raum. Die anderen messen weiter; dieser zählt für die Entwicklung nicht mehr.",
		"Look at the sensor and hold a second one beside it. Dry or clean it, or replace it.":                "Den Sensor ansehen und einen zweiten daneben halten. Ihn trocknen oder reinigen oder ersetzen.",

		"Every sensor of the room is silent or not believable: power, gateway or radio in that room.": "Alle Sensoren des Raums sind stumm oder nicht glaubwürdig: Strom, Gateway oder Funk in diesem Raum.",
		"Heat, cold or dryness in this room would raise no alarm.":                                    "Hitze, Kälte oder Trockenheit in diesem Raum lösen keinen Alarm aus.",
		"Go and read a thermometer in the room, then check the power of its sensors and gateway.":     "Hingehen und im Raum ein Thermometer ablesen, dann Strom von Sensoren und Gateway prüfen.",

		"The MQTT broker is down or restarting, or the network between it and this machine is cut.":                 "Der MQTT-Broker steht oder startet neu, oder das Netz zwischen ihm und diesem Rechner ist unterbrochen.",
		"No room is watched; no alarm about air can be raised.":                                                     "Kein Raum wird überwacht; zur Luft kann kein Alarm kommen.",
		"Check that the broker machine and the network switch have power. Read the rooms by hand until it is back.": "Prüfen, ob der Rechner des Brokers und der Netzwerk-Switch Strom haben. Die Räume von Hand ablesen, bis es wieder geht.",

		"rearguard there has stopped or hangs, its machine or the power is gone, the link between the sites is cut, or nothing is proven to work there.": "rearguard dort steht oder hängt, der Rechner oder der Strom ist weg, die Verbindung zwischen den Standorten ist unterbrochen, oder nichts ist dort nachgewiesen in Ordnung.",
		"Nobody may be watching the rooms of the other site, and nobody there is called.":                                                                "Vielleicht überwacht niemand die Räume des anderen Standorts, und dort wird niemand gerufen.",
		"Call somebody at the other site and have them read the rooms by hand, then look whether its machine and its link have power.":                   "Jemanden am anderen Standort anrufen und die Räume von Hand ablesen lassen, dann prüfen, ob Rechner und Verbindung dort Strom haben.",

		"The certificate of the MQTT broker, or of the authority that signed it, was issued for a limited time and has not been renewed.": "Das Zertifikat des MQTT-Brokers oder das der Stelle, die es unterschrieben hat, gilt befristet und wurde nicht erneuert.",
		"From that day on the broker is not believed: no message arrives and no room is watched.":                                         "Von diesem Tag an wird dem Broker nicht mehr vertraut: Kein Messwert kommt an, und kein Raum wird überwacht.",
		"Have the broker's certificate renewed, and restart the broker so that it uses the new one.":                                      "Das Zertifikat des Brokers erneuern lassen und den Broker neu starten, damit er das neue benutzt.",

		"The disk is full, read-only or failing, or another program has locked the database file.":                                                                                "Die Festplatte ist voll, schreibgeschützt oder defekt, oder ein anderes Programm hat die Datenbankdatei gesperrt.",
		"Rooms are still watched, from memory, until the broker holds back messages that nobody could acknowledge; then none is. What happened since is lost if rearguard stops.": "Die Räume werden noch überwacht, aus dem Arbeitsspeicher, bis der Broker unbestätigte Nachrichten zurückhält; dann keiner mehr. Was seither geschah, geht verloren, wenn rearguard anhält.",
		"Free space on the disk and check that it is writable, then look at the log for the exact error.":                                                                         "Platz auf der Festplatte schaffen und prüfen, ob sie beschreibbar ist, dann im Protokoll den genauen Fehler suchen.",

		"The disk of the records is not mounted, their file was deleted, replaced, damaged or restored from an old backup, or its log was lost.":               "Die Festplatte der Aufzeichnungen ist nicht eingehängt, oder die Datei wurde gelöscht, ersetzt, beschädigt oder aus einer alten Sicherung zurückgeholt, oder ihr Protokoll ging verloren.",
		"Cohorts, limits and calibrations that these records do not hold are not watched: no alarm is raised for their sake.":                                  "Zuchtgruppen, Grenzen und Kalibrierungen, die in diesen Aufzeichnungen fehlen, werden nicht überwacht: Ihretwegen kommt kein Alarm.",
		"Stop rearguard, put the right file or the newest backup in place, and start it. If these are the right records, say so with rearguard adopt-records.": "rearguard anhalten, die richtige Datei oder die neueste Sicherung einsetzen und neu starten. Sind es die richtigen Aufzeichnungen, das mit rearguard adopt-records bestätigen.",

		"The disk has changed what was written, a copy was cut short, or power was lost while the disk did not keep what it had confirmed.": "Die Festplatte hat Geschriebenes verändert, eine Kopie wurde abgebrochen, oder bei einem Stromausfall ging verloren, was die Festplatte schon bestätigt hatte.",
		"What is named is missing from history, and thermal time over it is estimated. The same disk may damage more.":                      "Das Genannte fehlt im Verlauf, die Wärmesumme darüber ist geschätzt. Dieselbe Festplatte kann noch mehr beschädigen.",
		"Check the disk. Restore the newest backup that holds what is missing, or take note of the loss with rearguard adopt-records.":      "Die Festplatte prüfen. Die neueste Sicherung zurückholen, die das Fehlende enthält, oder den Verlust mit rearguard adopt-records hinnehmen.",

		"A mail or webhook server or an Alertmanager refuses or cannot be reached, a password has changed, or the internet is down.": "Ein Mail- oder Webhook-Server oder ein Alertmanager weist ab oder ist nicht erreichbar, ein Passwort hat sich geändert, oder das Internet ist weg.",
		"Alarms do not reach a phone. Somebody must watch the page.":                                                                 "Alarme erreichen kein Telefon. Jemand muss die Seite im Auge behalten.",
		"Check the internet connection, then send a test notice and read the error it shows.":                                        "Die Internetverbindung prüfen, dann eine Testnachricht senden und den angezeigten Fehler lesen.",

		"No drill was made for longer than the configuration says, or somebody did not answer the last one.":                 "Länger als eingestellt gab es keine Übung, oder jemand hat auf die letzte nicht geantwortet.",
		"A channel may be dead, or a phone silent, and nobody would know before an alarm has to wake somebody.":              "Ein Weg kann tot sein oder ein Telefon stumm, und niemand weiß es, bis ein Alarm jemanden wecken soll.",
		"Open the page of people. Start a drill, or ask whoever did not answer whether the notice arrived, and send a test.": "Die Seite der Leute öffnen. Eine Übung starten, oder nachfragen, ob die Nachricht ankam, und einen Test senden.",

		"The clock of this machine, or of the device that stamps the readings, is off or has jumped; or a board without a clock battery has not reached a time server yet.": "Die Uhr dieses Rechners oder die des Geräts, das die Messwerte stempelt, geht falsch oder ist gesprungen; oder ein Rechner ohne Uhrenbatterie hat noch keinen Zeitserver erreicht.",
		"Rooms are watched and alarms raised, but readings may be put at the wrong time and forecasts be wrong. Old history is not deleted meanwhile.":                      "Räume werden überwacht und Alarme ausgelöst, aber Messwerte können zur falschen Zeit stehen und Vorhersagen falsch sein. Alter Verlauf wird so lange nicht gelöscht.",
		"Check time synchronisation on this machine (timedatectl) and on the gateways. Set what is wrong; a clock that is right and not believed, confirm on the page.":     "Die Zeitsynchronisation auf diesem Rechner (timedatectl) und auf den Gateways prüfen. Falsche Uhren stellen; eine Uhr, die richtig geht und der nicht geglaubt wird, auf der Seite bestätigen.",

		"The clock of this machine was wrong and has been put right, by a time server or by somebody, or it has just gone wrong.":                          "Die Uhr dieses Rechners ging falsch und wurde von einem Zeitserver oder von jemandem richtiggestellt, oder sie geht erst seit eben falsch.",
		"What was entered or recorded by the wrong clock may bear wrong times: readings, counts, moves of cohorts.":                                        "Was nach der falschen Uhr eingetragen oder aufgezeichnet wurde, kann falsche Zeiten tragen: Messwerte, Zählungen, Umzüge von Zuchtgruppen.",
		"Compare the time on the page with a watch, and set this machine's clock if it is wrong. Then look through counts and moves entered while it was.": "Die Zeit auf der Seite mit einer Armbanduhr vergleichen und die Uhr dieses Rechners stellen, wenn sie falsch geht. Dann Zählungen und Umzüge durchsehen, die in dieser Zeit eingetragen wurden.",
	}
}
