"""decode.py pysparkplug|tahutils: reads lines `TOPIC HEX`, says what that package makes of them, one JSON object a line:

{"timestamp": ms, "seq": number or null, "metrics": [{"name": ..., "type": number, "timestamp": ms, "value": ..., "historical": ...}]}
"""

import json
import sys


def by_pysparkplug(topic, payload):
    import pysparkplug as peer

    kinds = {
        "NBIRTH": peer.NBirth,
        "NDATA": peer.NData,
        "NDEATH": peer.NDeath,
        "DBIRTH": peer.DBirth,
        "DDATA": peer.DData,
        "DDEATH": peer.DDeath,
    }
    kind = kinds[topic.split("/")[2]]
    decoded = kind.decode(payload)
    if kind is peer.NDeath:
        # What it keeps of a death is the number and no more.
        return {"seq": None, "bd_seq": decoded.bd_seq_metric.value}
    return {
        "timestamp": decoded.timestamp,
        "seq": decoded.seq,
        "metrics": [
            {
                "name": metric.name,
                "type": int(metric.datatype),
                "timestamp": metric.timestamp,
                "value": metric.value,
                "historical": bool(metric.is_historical),
            }
            for metric in getattr(decoded, "metrics", ())
        ],
    }


def by_tahutils(_topic, payload):
    from google.protobuf.json_format import MessageToDict
    from tahutils.tahu import sparkplug_b_pb2

    decoded = sparkplug_b_pb2.Payload()
    decoded.ParseFromString(payload)
    metrics = []
    for metric in decoded.metrics:
        field = metric.WhichOneof("value")
        value = None if field is None else getattr(metric, field)
        assert (field is None) == metric.is_null, MessageToDict(metric)
        if metric.datatype in (3, 4) and value is not None:
            bits = 32 if metric.datatype == 3 else 64
            value -= (value >> (bits - 1)) << bits
        properties = {
            key: getattr(of, of.WhichOneof("value")) for key, of in zip(metric.properties.keys, metric.properties.values)
        }
        metrics.append(
            {
                "name": metric.name,
                "type": metric.datatype,
                "timestamp": metric.timestamp,
                "value": value,
                "historical": metric.is_historical,
                "properties": properties,
            }
        )
    return {
        "timestamp": decoded.timestamp,
        "seq": decoded.seq if decoded.HasField("seq") else None,
        "metrics": metrics,
    }


decode = {"pysparkplug": by_pysparkplug, "tahutils": by_tahutils}[sys.argv[1]]
for line in sys.stdin:
    topic, _, payload = line.rstrip("\n").partition(" ")
    print(json.dumps(decode(topic, bytes.fromhex(payload))))
