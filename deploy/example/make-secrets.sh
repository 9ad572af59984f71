#!/bin/sh
# Makes the secret files that tidegate.yaml names, each with a random token of
# its own, readable by this user alone. Files that exist are left as they are.
# Version control keeps no file modes and must keep no secrets: run this on each
# machine. s/record must then be given the token that the record system issued,
# and s/duty that of the system that takes notifications.
# The ledger's key is not made here: `tidegate serve` makes it.
set -eu
cd "$(dirname "$0")"
umask 077
mkdir -p s
for name in ito osei farrow brandt push record duty; do
	if [ -e "s/$name" ]; then
		echo "s/$name is there already"
		continue
	fi
	od -An -N32 -tx1 /dev/urandom | tr -d ' \n' >"s/$name"
	echo "s/$name made"
done
