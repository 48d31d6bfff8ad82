#!/usr/bin/env bash
# Opens a door while any tag is inside a zone, and closes it whenever that is not certain; asks with curl.
#
# CAUTION: an example, and not a safety component. A door can crush and an open gate can let someone into danger.
# - Force limits, safety edges, light curtains and the emergency stop stay independent of this and overrule it.
#   Powered doors are under standards and local codes (EN 12453, for instance): leave them to licensed trades.
# - A range is no proof of presence: it can be relayed or shortened by an attacker. Never the only key.
# - "Closed" is taken for the safe state here. Where closing is the danger, turn it round, with the trade
#   that answers for it.
#
# The rule: open only while the daemon answers within half a second that the zone is `inside`, and the site that it
# tells is, word for word, the one of the start. The daemon itself turns an answer that has run out into `unknown`.
# No answer, `unknown`, a daemon that was killed or is another one: closed. Each change is one line, OPEN or CLOSE
# and why. Put your own relay into `drive`.
#
#     examples/gate_curl.sh 'roller door' [http://127.0.0.1:6208]
set -u
zone=${1:?"usage: $0 ZONE [URL]"}
url=${2:-http://127.0.0.1:6208}
# A zone's name may hold anything: every byte of it is written as %XX.
path=$(printf %s "$zone" | od -An -v -tx1 | tr -d '\n' | sed 's/ /%/g')
state=
known=
complaint=

drive() { # "OPEN" or "CLOSE"
  : # Here goes the relay. It should drop to closed by itself when this program dies.
}

set_door() { # "OPEN" or "CLOSE", why
  if [ "$1" != "$state" ]; then
    state=$1
    drive "$state"
    printf '%-5s %s\n' "$state" "$2"
  fi
}

complain() { # why: closes, and says what is wrong once, also when the door is closed already
  set_door CLOSE "$1"
  if [ "$1" != "$complaint" ]; then
    complaint=$1
    printf '%s\n' "$complaint" >&2
  fi
}

ask() { # path
  curl --silent --show-error --fail --max-time 0.5 "$url$1" 2>&1
}

trap 'set_door CLOSE "this program ends"' EXIT
trap 'exit 130' INT
trap 'exit 143' TERM
set_door CLOSE start
while true; do
  if ! answer=$(ask "/v1/zones/$path"); then
    complain "no answer: $answer"
  # The site is asked for last, so that it is never older than the answer.
  elif ! site=$(ask /v1/site); then
    complain "no answer: $site"
  else
    # The first "state" of the answer is the one of the zone over all its tags.
    now=$(printf %s "$answer" | sed 's/"state":"/\n&/' | sed -n '2s/^"state":"\([a-z]*\)".*/\1/p')
    known=${known:-$site}
    if [ "$site" != "$known" ]; then
      complain 'another daemon answers, or its site was changed; start again if that is right'
    elif [ "$now" = inside ]; then
      set_door OPEN "a tag is inside"
    else
      set_door CLOSE "${now:-an answer without a state}"
    fi
  fi
  sleep 0.2
done
