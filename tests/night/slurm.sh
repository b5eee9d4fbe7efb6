#!/usr/bin/env bash
# A night as an array job with a dependent synthesis under Slurm on this machine, held against a night in one process.
# Needs root and Debian's slurmctld, slurmd, slurm-client and munge; starts daemons of its own in a temporary folder and ends
# them. Usage: tests/night/slurm.sh [PROGRAM [ARCHIVE]] (default: the release build; the demo's archive, made for this).
set -euo pipefail

program=$(realpath "${1:-target/release/bandlift}")
for needed in slurmctld slurmd munged sbatch scontrol runuser; do
  command -v "$needed" >/dev/null || { echo "missing: $needed (apt-get install slurmctld slurmd slurm-client munge)" >&2; exit 2; }
done
[ "$(id -u)" -eq 0 ] || { echo "needs root: slurmd starts jobs for users" >&2; exit 2; }

work=$(mktemp -d)
munge_pid=
finish() {
  for daemon in slurmd slurmctld; do
    [ -s "$work/$daemon.pid" ] && kill "$(cat "$work/$daemon.pid")" 2>/dev/null || true
  done
  [ -n "$munge_pid" ] && kill "$munge_pid" 2>/dev/null || true
  rm -rf "$work"
}
trap finish EXIT

# Both kinds of nights see the same archive.
archive=${2:-}
if [ -z "$archive" ]; then
  "$program" demo "$work/demo" >/dev/null 2>&1
  archive=$work/demo/archive
fi
archive=$(realpath "$archive")
code=0
"$program" run "$archive" --out "$work/single" >/dev/null 2>&1 || code=$?
echo "one process: exit $code"

# Daemons of our own: munge with its own key and socket, Slurm with one node that is this machine.
install -d -o munge -g munge -m 755 "$work/munge"
chmod 755 "$work"
dd if=/dev/urandom of="$work/munge/key" bs=1024 count=1 status=none
chown munge:munge "$work/munge/key" && chmod 400 "$work/munge/key"
socket=$work/munge/socket
runuser -u munge -- munged --foreground --key-file="$work/munge/key" --socket="$socket" --pid-file="$work/munge/pid" \
  --seed-file="$work/munge/seed" >"$work/munged.log" 2>&1 &
munge_pid=$!
for _ in $(seq 100); do [ -S "$socket" ] && break; sleep 0.1; done

cat >"$work/slurm.conf" <<CONF
ClusterName=one
SlurmctldHost=$(hostname)(127.0.0.1)
SlurmUser=root
SlurmdUser=root
AuthType=auth/munge
AuthInfo=socket=$socket
CredType=cred/munge
ProctrackType=proctrack/linuxproc
TaskPlugin=task/none
SelectType=select/cons_tres
SelectTypeParameters=CR_CPU
MpiDefault=none
ReturnToService=2
SlurmctldPort=26817
SlurmdPort=26818
StateSaveLocation=$work/state
SlurmdSpoolDir=$work/spool
SlurmctldPidFile=$work/slurmctld.pid
SlurmdPidFile=$work/slurmd.pid
SlurmctldLogFile=$work/slurmctld.log
SlurmdLogFile=$work/slurmd.log
NodeName=$(hostname) NodeAddr=127.0.0.1 CPUs=$(nproc) State=UNKNOWN
PartitionName=main Nodes=ALL Default=YES MaxTime=INFINITE State=UP
CONF
mkdir -p "$work/state" "$work/spool"
export SLURM_CONF=$work/slurm.conf
slurmctld -f "$SLURM_CONF"
slurmd -f "$SLURM_CONF"
for _ in $(seq 100); do sinfo -h -o %T 2>/dev/null | grep -q idle && break; sleep 0.3; done
sinfo

# The night: an array of four shares, then the synthesis, whatever the shares came to (a failed site-year is exit 1).
out=$work/shared
cat >"$work/share.sh" <<JOB
#!/bin/sh
exec "$program" run "$archive" --out "$out" --share auto --jobs 1
JOB
cat >"$work/synthesise.sh" <<JOB
#!/bin/sh
exec "$program" synthesise "$out"
JOB
array=$(sbatch --parsable --array=0-3 --cpus-per-task=1 --output="$work/share-%a.log" "$work/share.sh")
last=$(sbatch --parsable --dependency="afterany:$array" --output="$work/synthesise.log" "$work/synthesise.sh")
echo "submitted: array $array, then $last"
for _ in $(seq 1200); do [ -z "$(squeue -h 2>/dev/null)" ] && break; sleep 0.5; done
scontrol -o show job "$last" | tr ' ' '\n' | grep -E '^(JobState|ExitCode)='
tail -n 1 "$work"/share-*.log "$work/synthesise.log"

# What tells of a run, and what is remembered, differs; nothing else may.
diff -r --exclude=run.json --exclude='run*.log' --exclude=.bandlift --exclude=shares "$work/single" "$out"
echo "identical: $(find "$out/site_years" -name summary.json | wc -l) site-years, $(find "$out" -type f -not -path '*/.bandlift/*' | wc -l) files"
