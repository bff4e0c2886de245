"""Where further services keep their secrets: in command lines, and by place.

A row is data: a path, the rule's name, what it finds, and a pattern whose first group that
matched is the secret. Sources: the manual pages of the services named in the paths, and
for the tokens the forms that their issuers publish.
"""

from __future__ import annotations

import re

# (rule, pattern): wherever it stands.
COMMANDS = (
    ("command-password", re.compile(
        r"\b(?:mysql\w*|mariadb[\w-]*|mydumper|xtrabackup)\b[^\n|;&]*?[ \t]-p([^\s\"'|;&]{2,})")),
    ("command-password", re.compile(r"\bsshpass[ \t]+-p[ \t]*(\"[^\"]+\"|'[^']+'|\S+)")),
    ("command-password", re.compile(
        r"\bcurl\b[^\n|;]*?[ \t](?:-u|--user|-U|--proxy-user)[ \t]*[\"']?[^\s:\"']+:([^\s\"']+)")),
    ("command-password", re.compile(r"\bredis-cli\b[^\n|;]*?[ \t]-a[ \t]*([^\s\"']+)")),
    ("command-password", re.compile(
        r"\bldap(?:search|modify|add|delete|passwd|whoami)\b[^\n|;]*?[ \t]-w[ \t]*([^\s\"']+)")),
    ("command-password", re.compile(r"\bsmbclient\b[^\n|;]*?[ \t]-U[ \t]*[^\s%]+%(\S+)")),
    ("cifs-options", re.compile(r"(?<=[,\s])pass(?:word)?=([^,\s]+)")),
    ("mapped-secret", re.compile(r"\b(?:secret|key)[ \t]+\"([A-Za-z0-9+/]{16,}={0,2})\"[ \t]*;")),
    ("header-key", re.compile(
        r"\bX-[\w-]*(?:Key|Token|Secret|Auth)[\"']?[ \t:,=]+[\"']?([^\s\"';$]{6,})",
        re.IGNORECASE)),
    ("query-credentials", re.compile(
        r"[?&](?:sig|signature|\w*token|api_?key|key|password|passwd|pwd|secret)=([^&\s\"'<>#]{6,})")),
    ("webhook", re.compile(r"/services/T\w{4,}/B\w{4,}/(\w{16,})")),
    ("bot-token", re.compile(r"(?<![\w])\d{8,10}:(AA[\w-]{32,34})(?![\w-])")),
    ("json-web-key", re.compile(
        r"\"(?:d|p|q|dp|dq|qi|k)\"[ \t]*:[ \t]*\"([A-Za-z0-9_-]{22,})\"")),
    ("url-user-token", re.compile(r"\bhttps?://([A-Za-z0-9_-]{20,})(?::x-oauth-basic)?@")),
)  # fmt: skip

# (path, rule, kind, pattern): each line of the files at that path.
PLACES: tuple[tuple[str, str, str, str], ...] = (
    (r"/etc/redis/.*", "cache-acl", "password", r"^[ \t]*user[ \t][^\n]*?[ \t]>(\S+)"),
    (r"/etc/redis/.*", "cache-sentinel", "password",
     r"^[ \t]*sentinel[ \t]+auth-(?:pass|user)[ \t]+\S+[ \t]+(\S+)"),
    (r"/etc/haproxy/.*", "proxy-login", "password",
     r"\bstats[ \t]+auth[ \t]+[^:\s]+:(\S+)|\binsecure-password[ \t]+(\S+)"),
    (r"/etc/squid/.*", "proxy-login", "password",
     r"^[ \t]*cachemgr_passwd[ \t]+(?!none\b|disable\b)(\S+)"
     r"|\blogin=[^:\s]+:(\S+)"),
    (r"/etc/NetworkManager/.*", "network-secret", "password",
     r"(?<=\[vpn-secrets\]\n)[\w-]+=([^\n]+)"),
    (r".*/hostapd[^/]*psk[^/]*", "wifi", "password", r"^[ \t]*[0-9A-Fa-f:]{17}[ \t]+(\S+)"),
    (r".*/K[^/]+\.private", "dnssec-key", "key",
     r"^(?:Key|PrivateKey|Modulus|PrivateExponent|Prime\d|Exponent\d|Coefficient|Bits):"
     r"[ \t]*(\S+)"),
    (r"/etc/(?:chrony|ntp|ntpsec)?/?[^/]*\.?keys", "time-key", "key",
     r"^[ \t]*\d+[ \t]+(?:[A-Z]+\d*[A-Z]*[ \t]+)?(?:(?:HEX|ASCII):)?(\S+)[ \t]*$"),
    (r"/etc/ceph/.*", "storage-key", "key", r"^[ \t]*key[ \t]*=[ \t]*(\S+)"),
    (r"/etc/nut/.*", "power-login", "password",
     r"^[ \t]*MONITOR[ \t]+\S+[ \t]+\d+[ \t]+\S+[ \t]+(\S+)"),
    (r"/etc/asterisk/.*", "telephone-login", "password",
     r"^[ \t]*register[ \t]*=>[ \t]*[^:\s]+:([^@:\s]+)"),
    (r"/etc/proftpd/.*", "database-login", "password",
     r"^[ \t]*SQLConnectInfo[ \t]+\S+[ \t]+\S+[ \t]+(\S+)"),
    (r"/etc/(?:nagios|icinga|naemon)[^/]*/.*", "monitoring-macro", "password",
     r"^\$USER\d+\$=(?!/)(\S+)"),
    (r".*/\.npmrc", "registry-login", "password", r"(?:^|:)_auth[ \t]*=[ \t]*(\S+)"),
    (r".*/\.?fetchmailrc", "mail-login", "password", r"\bpass(?:word)?[ \t]+(\"[^\"]*\"|\S+)"),
    (r".*\.(?:service|socket|mount|timer|conf|container)", "unit-credential", "credential",
     r"^[ \t]*SetCredential(?:Encrypted)?=[ \t]*[\w.@-]+:[ \t]*(\S+)"),
)  # fmt: skip
